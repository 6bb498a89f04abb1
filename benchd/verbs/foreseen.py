"""What is known of a bench at a point ahead, by name; of what is not known yet, what it depends on.

Two ways that may be gone meet again: what they leave alike stays known, of the rest is kept why it is not.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Any, Self

Why = tuple[str, ...]
"""What something depends on: 'the answer x', 'the finding y'. Empty for what is known."""
Open = Mapping[str, Why]
"""Arguments of a step that answers to come will say, and on what each depends."""


class Foreseen:
    """Values by name; a name that was never told has the value None."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self._values = dict(values)
        self._open: dict[str, Why] = {}

    def copy(self) -> Self:
        """The same, to go another way from here."""
        twin = type(self)(self._values)
        twin._open = dict(self._open)
        return twin

    @property
    def values(self) -> Mapping[str, Any]:
        """What is known."""
        return self._values

    @property
    def open(self) -> Set[str]:
        """The names of what is not."""
        return self._open.keys()

    def get(self, name: str) -> Any:
        """Its value; None also where it is not known."""
        return self._values.get(name)

    def why(self, *names: str) -> Why:
        """What it depends on, of any that are not known; empty where all are."""
        return tuple(dict.fromkeys(why for name in names for why in self._open.get(name, ())))

    def know(self, **values: Any) -> None:
        """From here on these are known."""
        for name, value in values.items():
            self._values[name] = value
            self._open.pop(name, None)

    def mark_unknown(self, name: str, why: Why) -> None:
        """From here on it is not."""
        self._values.pop(name, None)
        self._open[name] = tuple(dict.fromkeys(why))

    def merge(self, other: Foreseen, why: Why) -> None:
        """Whichever of the two ways was gone, which depends on `why`: only what is alike at both ends stays known."""
        for name in dict.fromkeys((*self._values, *self._open, *other._values, *other._open)):
            mine, theirs = self.why(name), other.why(name)
            if mine or theirs or self.get(name) != other.get(name):
                self.mark_unknown(name, (*mine, *theirs) if mine and theirs else (*mine, *theirs, *why))


def joined(why: Why) -> str:
    """For a sentence: what it depends on."""
    return " and ".join(dict.fromkeys(why))


def all_of(opened: Open) -> Why:
    """Everything that any of them depends on."""
    return tuple(dict.fromkeys(one for why in opened.values() for one in why))
