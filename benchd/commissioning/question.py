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


def where_stated(key: str, rest: Callable[[Answers], bool] = lambda _: True) -> Callable[[Answers], bool]:
    """Asked only where `key` was answered with something."""
    return lambda answers: answers.get(key) is not None and rest(answers)


def where_serial(key: str) -> Callable[[Answers], bool]:
    """Asked only where the port of `key` is a serial one."""
    return where_stated(key, lambda answers: not str(answers[key]).startswith("socket://"))
