"""What a world refuses."""

from __future__ import annotations


class WorldFileError(ValueError):
    """A world file that cannot be used; a line of text for each problem: file:line:column, key, what is wrong."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class HandRefused(ValueError):
    """What a hand cannot do as things stand; the text is one plain sentence."""
