"""Whether the position may be believed. One edge detector: whatever happens, trust is lost here and nowhere else."""

from __future__ import annotations

from collections.abc import Callable

from benchd.errors import Refused

Lost = Callable[[str, str], None]
"""Told of a loss: its kind (`homing` where homing itself took the trust, else a surprise), and why in a few words."""


NOT_YET = "not homed since the start"


def not_homed(why: str | None) -> Refused:
    """What is said to whoever relies on a position that is not trusted."""
    return Refused("not_homed", f"The carriage is not homed: {why}.", advice="Home it first.")


class Trust:
    """`homed` with the reason why not; every loss is told once, to everybody who listens, in the same turn."""

    def __init__(self, lost: Lost) -> None:
        self._listeners = [lost]
        self._homed = False
        self._why: str | None = NOT_YET
        self.losses = 0
        """How often something took trust away, whether it was there or not."""
        self.gains = 0
        """How often homing has ended well."""

    @property
    def homed(self) -> bool:
        """Whether the position is trusted."""
        return self._homed

    @property
    def why(self) -> str | None:
        """Why it is not, in a few words; None while it is."""
        return self._why

    def listen(self, lost: Lost) -> None:
        """Tell `lost` as well, after those who listen already."""
        self._listeners.append(lost)

    def gain(self) -> None:
        """Homing has ended well."""
        self.gains += 1
        self._homed = True
        self._why = None

    def lose(self, kind: str, why: str) -> None:
        """Something took trust away; told to the listeners when it was there before, the latest reason is kept."""
        self.losses += 1
        before, self._homed = self._homed, False
        self._why = why
        if before:
            for listener in self._listeners:
                listener(kind, why)

    def require(self) -> None:
        """Raise Refused('not_homed') naming the reason."""
        if not self._homed:
            raise not_homed(self._why)
