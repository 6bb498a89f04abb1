"""One question for a bench file: its key, its words, how an answer is read, and what Enter means."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from benchd.commissioning.parsing import Read

Answers = Mapping[str, Any]
"""By key, as read so far."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question: its key, its words, how an answer is read, what Enter means (None: it has to be answered).

    `part` is the heading that it stands under, `applies` whether it is asked after the answers before.
    """

    part: str
    key: str
    text: str
    read: Read
    default: str | Callable[[Answers], str] | None = None
    applies: Callable[[Answers], bool] = lambda _: True

    def default_after(self, answers: Answers) -> str | None:
        """What Enter means, after the answers before."""
        return self.default(answers) if callable(self.default) else self.default


Places = Mapping[str, tuple[str, ...]]
"""By a question's key, where in the file its answer stands: dotted keys, from which a problem leads back to it."""


def at(section: str, stands: Mapping[str, str]) -> Places:
    """Of one section: `stands` has the names of its keys by question, blanks between, and `.` for the section itself.

    Where several questions have one place, the first that was answered is the one to be asked again."""
    return {
        key: tuple(section if name == "." else f"{section}.{name}" for name in names.split())
        for key, names in stands.items()
    }


def where_stated(key: str, rest: Callable[[Answers], bool] = lambda _: True) -> Callable[[Answers], bool]:
    """Asked only where `key` was answered with something."""
    return lambda answers: answers.get(key) is not None and rest(answers)


def where_serial(key: str) -> Callable[[Answers], bool]:
    """Asked only where the port of `key` is a serial one."""
    return where_stated(key, lambda answers: not str(answers[key]).startswith("socket://"))
