"""No error is logged that is no named one."""

from __future__ import annotations

from tests.virtual.witness import Watched


class PlainErrors(Watched):
    """Of the log, what is an error or holds a traceback."""

    def log(self, level: str, text: str) -> None:
        if level in ("error", "critical", "exception") or "Traceback" in text:
            self.fail(text[:2000])
