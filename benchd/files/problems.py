"""Problems of files: their place, the value there, and what is allowed."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from benchd.errors import BenchdError

_SHOWN = 60
_IN_URL = re.compile(r"(://).*@", re.DOTALL)  # a secret may hold any sign, so up to the last one that ends it
_SECRET_KEY = re.compile(r"pass(word|wd|phrase)?|pw|secret|token", re.IGNORECASE)
HIDDEN = "(not shown)"


@dataclass(frozen=True, slots=True)
class Problem:
    """One problem of one file. `line` and `column` count from 1; 0 if the file could not be read at all.

    `stands`, the value there, goes to terminals, logs and programs, except the account in a URL and values of secret
    keys.
    """

    file: str
    line: int
    column: int
    key: str
    stands: str
    allowed: str

    def __post_init__(self) -> None:
        secret = _SECRET_KEY.fullmatch(self.key.rpartition(".")[2]) is not None
        object.__setattr__(self, "stands", HIDDEN if secret and self.stands else _without_account(self.stands))

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        what = f" {self.key}" if self.key else ""
        stands = f" = {self.stands}" if self.stands else ""
        return f"{where}{what}{stands}: {self.allowed}"

    def as_json(self) -> dict[str, str | int]:
        """The same for a JSON document."""
        return {
            "file": self.file,
            "line": self.line,
            "column": self.column,
            "key": self.key,
            "stands": self.stands,
            "allowed": self.allowed,
        }


class FileProblems(BenchdError):
    """One or more files have problems, so none of them is used. `problems` lists all that were found."""

    def __init__(self, problems: Iterable[Problem], *, advice: str = "") -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        count = len(self.problems)
        head = "1 problem in a file" if count == 1 else f"{count} problems in the files"
        super().__init__(
            "bad_request",
            head + ":\n" + "\n".join(f"  {problem}" for problem in self.problems),
            advice=advice,
            data={"problems": [problem.as_json() for problem in self.problems]},
        )

    def __str__(self) -> str:
        return self.text + (f"\n{self.advice}" if self.advice else "")


def shown(value: object) -> str:
    """A value of a file, short enough for one line."""
    if isinstance(value, dict):
        # The keys identify the part of the file; their values would be too long.
        return _short("{" + ", ".join(f"{key}: .." for key in value) + "}")
    if isinstance(value, list):
        # A list of numbers is one value, such as a range; of other lists only the length is shown.
        numbers = all(type(item) in (int, float) for item in value) and len(str(value)) <= _SHOWN
        return str(value) if numbers else f"a list of {len(value)}"
    if value is None:
        return "null"
    if isinstance(value, bool):
        return str(value).lower()
    return _short(_without_account(repr(value)))  # before shortening, which could remove the end of a secret


def _without_account(text: str) -> str:
    return _IN_URL.sub(rf"\1{HIDDEN}@", text)


def _short(text: str) -> str:
    return text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "..."
