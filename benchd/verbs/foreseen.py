"""A predicted state: values known by name; for values not known yet, what they depend on.

When two branches merge, values that are equal in both stay known; the others become unknown, with the reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Any, Self

Why = tuple[str, ...]
"""What a value depends on: 'the answer x', 'the finding y'. Empty if it is known."""
OpenArgs = Mapping[str, Why]
"""Arguments of a step whose values are still open, by name, and what each depends on."""


class PredictedState:
    """Values by name; a name that was never set has the value None."""

    def __init__(self, values: Mapping[str, Any]) -> None:
        self._values = dict(values)
        self._open: dict[str, Why] = {}

    def copy(self) -> Self:
        """An independent copy, for another branch."""
        copied = type(self)(self._values)
        copied._open = dict(self._open)
        return copied

    @property
    def values(self) -> Mapping[str, Any]:
        """The known values."""
        return self._values

    @property
    def open(self) -> Set[str]:
        """The names of the unknown values."""
        return self._open.keys()

    def get(self, name: str) -> Any:
        """The value; None also if it is not known."""
        return self._values.get(name)

    def why(self, *names: str) -> Why:
        """What the unknown ones of these names depend on; empty if all are known."""
        return tuple(dict.fromkeys(why for name in names for why in self._open.get(name, ())))

    def mark_known(self, **values: Any) -> None:
        """Set these values as known."""
        for name, value in values.items():
            self._values[name] = value
            self._open.pop(name, None)

    def mark_unknown(self, name: str, why: Why) -> None:
        """Forget the value; it depends on `why` from here on."""
        self._values.pop(name, None)
        self._open[name] = tuple(dict.fromkeys(why))

    def merge(self, other: PredictedState, why: Why) -> None:
        """Merge two branches; which one is taken depends on `why`. Only values equal in both stay known."""
        for name in dict.fromkeys((*self._values, *self._open, *other._values, *other._open)):
            mine, theirs = self.why(name), other.why(name)
            if mine or theirs or self.get(name) != other.get(name):
                self.mark_unknown(name, (*mine, *theirs) if mine and theirs else (*mine, *theirs, *why))


def joined_by_and(why: Why) -> str:
    """What something depends on, for a sentence."""
    return " and ".join(dict.fromkeys(why))


def all_dependencies(open_args: OpenArgs) -> Why:
    """Everything that any of these arguments depends on."""
    return tuple(dict.fromkeys(dependency for why in open_args.values() for dependency in why))
