"""What a world refuses, and what is a number to it."""

from __future__ import annotations

from math import isfinite


class WorldFileError(ValueError):
    """A world file that cannot be used; a line of text for each problem: file:line:column, key, what is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class HandRefused(ValueError):
    """What a hand cannot do as things stand; the text is one plain sentence."""


def number(value: object, what: str) -> float:
    """A finite number, or a sentence."""
    try:
        found = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        found = float("nan")
    if isinstance(value, bool) or not isfinite(found):
        raise HandRefused(f"{what} needs a number, not {value!r}.")
    return found
