"""Whether the position may be believed. One edge detector: whatever happens, trust is lost here and nowhere else."""

from __future__ import annotations

from collections.abc import Callable

from benchd.errors import Refused


class Trust:
    """`homed` with the reason why not; every loss is told once."""

    def __init__(self, lost: Callable[[str, str], None]) -> None:
        self._lost = lost
        self._homed = False
        self._why: str | None = "not homed since the start"

    @property
    def homed(self) -> bool:
        """Whether the position is trusted."""
        return self._homed

    @property
    def why(self) -> str | None:
        """Why it is not, in a few words; None while it is."""
        return self._why

    def gain(self) -> None:
        """Homing has ended well."""
        self._homed = True
        self._why = None

    def lose(self, kind: str, why: str) -> None:
        """Something took trust away; told to the listener when it was there before, the latest reason is kept."""
        before, self._homed = self._homed, False
        self._why = why
        if before:
            self._lost(kind, why)

    def require(self) -> None:
        """Raise Refused('not_homed') naming the reason."""
        if not self._homed:
            raise Refused("not_homed", f"The carriage is not homed: {self._why}.", advice="Home it first.")
