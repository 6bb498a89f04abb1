"""The root of all errors of benchd, with text and advice for a person.

    BenchdError                 code, one plain sentence, advice, data
    +-- Refused                 a request that was not carried out; nothing moved
    +-- FileProblems            a file that says something it may not (benchd.files.problems)
    +-- DeviceError             hardware (benchd.devices.errors has the branches)

`code` is from the closed list below; `text` says what happened, `advice` what to do next.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, get_args

ErrorCode = Literal[
    "bad_request",
    "unknown_verb",
    "unknown_name",
    "too_large",
    "stale",
    "retained",
    "duplicate",
    "not_allowed",
    "not_holder",
    "busy",
    "rev_conflict",
    "not_found",
    "not_homed",
    "not_driven",
    "limit",
    "clearance",
    "interlock",
    "uncalibrated",
    "wall_too_near",
    "pupil_unfilled",
    "device_fault",
    "timeout",
    "disk_full",
]

ERROR_CODES: frozenset[str] = frozenset(get_args(ErrorCode))


class BenchdError(Exception):
    """An error for a person: a code, a sentence, what to do next, and data."""

    def __init__(self, code: ErrorCode, text: str, *, advice: str = "", data: Mapping[str, Any] | None = None) -> None:
        super().__init__(text)
        self.code: ErrorCode = code
        self.text = text
        self.advice = advice
        self.data: dict[str, Any] = dict(data or {})

    def __str__(self) -> str:
        return f"{self.text} {self.advice}".strip()

    @property
    def known_as(self) -> str:
        """The code as shown to a person after the text."""
        return self.code

    def as_json(self) -> dict[str, Any]:
        """The `error` object of a refused command: code, text, advice, data."""
        return {"code": self.code, "text": self.text, "advice": self.advice, "data": self.data}


class Refused(BenchdError):
    """A request that was not carried out; the bench is as it was."""
