"""The file of a record while values are set in it: what a person writes there meanwhile is not lost."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchd.errors import BenchdError, ErrorCode, Refused
from benchd.files.record_changes import Stamp, stamp_of
from benchd.files.record_text import text_of
from benchd.files.records_folder import Kind, Records
from benchd.files.whole_file import Begun, begin_write


class EditedRecord:
    """Its `path` and its `text` as it is now, '' for none. `begin` a write, then `finish` or `drop` it.

    Raises as `text_of`.
    """

    def __init__(self, folder: Path, records: Records, kind: Kind, record_id: str) -> None:
        self.path, _ = text_of(folder, records, kind, record_id)
        self._stamp = stamp_of(self.path)
        _, self.text = text_of(folder, records, kind, record_id)
        self._begun: Begun | None = None

    def begin(self, text: str) -> None:
        """Have the new text on the disk beside the file. Raises BenchdError (disk_full, device_fault)."""
        with _told(self.path):
            self._begun = begin_write(self.path, text.encode("utf-8"))

    def finish(self) -> Stamp | None:
        """Put it in the file's place, and give its stamp there.

        Raises BenchdError as `begin`, Refused('rev_conflict') where another text stands there now.
        """
        assert self._begun is not None
        if stamp_of(self.path) != self._stamp:
            text = f"{self.path} has been changed by hand meanwhile."
            raise Refused("rev_conflict", text, advice="Look at it again.")
        written = stamp_of(self._begun.beside)
        with _told(self.path):
            self._begun.finish()
        return written

    def drop(self) -> None:
        """Leave the file as it is."""
        if self._begun is not None:
            self._begun.drop()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Raises BenchdError (disk_full, device_fault)."""
    try:
        yield
    except OSError as error:
        code: ErrorCode = "disk_full" if error.errno in (errno.ENOSPC, errno.EDQUOT) else "device_fault"
        why = f"{path} could not be written: {error.strerror}."
        raise BenchdError(code, why, advice="Look at the rights of its folder, and at the disk.") from error
