"""Options that several commands share."""

from __future__ import annotations

import argparse
import re
from pathlib import Path


def output(parser: argparse.ArgumentParser) -> None:
    """How the answer is given."""
    parser.add_argument("--json", action="store_true", help="one JSON document on stdout, everything else on stderr")


def reach(parser: argparse.ArgumentParser) -> None:
    """Which bench is spoken to, and by whom."""
    group = parser.add_argument_group("which bench")
    group.add_argument("--bench", metavar="NAME", help="its name; needed where several run, or with --host")
    group.add_argument("--host", metavar="HOST", help="its broker, where it is not told here; or mqtts://HOST")
    group.add_argument("--port", metavar="PORT", type=_port, help="the broker's port (1884; with mqtts 8883)")
    group.add_argument("--user", metavar="NAME", help="who asks (your login name), and whose account is used")
    secret = "holds your password at the broker, mode 0600 (else BENCHD_PASSWORD_FILE says which does)"
    group.add_argument("--password-file", metavar="FILE", type=Path, help=secret)
    known = "certificates by which the broker is known (else BENCHD_CA_FILE says which)"
    group.add_argument("--ca-file", metavar="FILE", type=Path, help=known)


def files(parser: argparse.ArgumentParser) -> None:
    """Whose files are read."""
    group = parser.add_argument_group("whose files (of the bench running here, else of ./bench.yaml)")
    group.add_argument(
        "--bench-file", metavar="FILE", type=Path, help="list, show: those beside a bench file, running or not"
    )


def _port(text: str) -> int:
    if not (re.fullmatch("[0-9]{1,5}", text) and 1 <= int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"'{text}' is no port, which is a whole number from 1 to 65535")
    return int(text)


def bench_file_at(path: Path) -> Path:
    """The bench file that is named; of a folder, the bench.yaml in it."""
    return path / "bench.yaml" if path.is_dir() else path


def record(parser: argparse.ArgumentParser) -> None:
    """Which record is read."""
    group = parser.add_argument_group("which record (of the bench running here, else of ./bench.yaml)")
    group.add_argument("--bench", metavar="NAME", help="that of this running bench, where several run")
    group.add_argument("--bench-file", metavar="FILE", type=Path, help="that of a bench file, running or not")
    group.add_argument("--store", metavar="URL", help='by itself: "sqlite:///north-rail.db", seen from this folder')
