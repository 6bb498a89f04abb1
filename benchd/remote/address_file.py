"""The file that tells programs on the same machine where a running bench is reached."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from benchd.mqtt.connection import Endpoint


class AddressFile:
    """`with AddressFile(files) as addresses:`; the files exist from the first `write` until the block ends.

    A file is complete or absent at any moment. It says whether an account is needed, never whose. Raises OSError.
    """

    def __init__(self, files: Sequence[Path]) -> None:
        self._files = files

    def write(self, bench: str, file: Path, record: Path, endpoint: Endpoint, listeners: Mapping[str, int]) -> None:
        """Write the files, again if the broker has come back on another port."""
        doc = {
            "bench": bench,
            "pid": os.getpid(),
            "file": str(file.absolute()),
            "store": f"sqlite:///{record.absolute()}",
            "host": endpoint.host,
            "port": endpoint.port,
            "url": str(endpoint),
            "account": endpoint.account.user is not None,
            "ca_file": None if endpoint.account.ca_file is None else str(endpoint.account.ca_file),
            "listeners": dict(listeners),
        }
        for place in self._files:
            place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            scratch = place.with_suffix(f".{os.getpid()}.new")  # another daemon may be starting
            scratch.write_text(json.dumps(doc), encoding="utf-8")
            scratch.replace(place)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for place in self._files:
            place.unlink(missing_ok=True)
