"""What a picture costs the process that decodes it: refused by its header, or a few bytes a pixel."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from pathlib import Path

import pytest

WORKER = """
import resource, sys
from PIL import Image, ImageFile
import benchd.detectors.edge.pictures as pictures
began = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
judged = pictures.exposure_in(open(sys.argv[1], "rb").read())
print(getattr(judged, "code", "judged"), (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - began) // 1024)
"""


def flat_png(path: Path, columns: int, rows: int, colour: bool) -> None:
    """A flat grey picture, written row by row so that it costs the test nothing."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    pack, row = zlib.compressobj(), b"\0" + b"\x80" * columns * (3 if colour else 1)
    data = b"".join(pack.compress(row) for _ in range(rows)) + pack.flush()
    about = struct.pack(">IIBBBBB", columns, rows, 8, 2 if colour else 0, 0, 0, 0)
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", about) + chunk(b"IDAT", data) + chunk(b"IEND", b""))


@pytest.mark.parametrize(
    ("columns", "rows", "colour", "said", "most_mb"),
    [
        pytest.param(11_000, 11_000, False, "too_large", 60, id="121_megapixels"),
        pytest.param(7_000, 7_000, False, "judged", 250, id="49_megapixels"),
        pytest.param(5_000, 5_000, True, "judged", 220, id="25_megapixels_of_colour"),
    ],
)
def test_a_flat_picture_costs_little(
    tmp_path: Path, columns: int, rows: int, colour: bool, said: str, most_mb: int
) -> None:
    """A flat grey picture of 121 megapixels took the worker to 423 MB."""
    flat_png(tmp_path / "flat.png", columns, rows, colour)
    done = subprocess.run(
        [sys.executable, "-c", WORKER, str(tmp_path / "flat.png")], capture_output=True, text=True, check=True
    )
    code, grown_mb = done.stdout.split()
    assert code == said
    assert int(grown_mb) <= most_mb
