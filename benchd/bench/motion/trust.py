"""Whether the position is trusted. Every loss of trust goes through `Trust.lose`."""

from __future__ import annotations

from collections.abc import Callable

from benchd.errors import Refused

Lost = Callable[[str, str], None]
"""Called on a loss of trust with its kind (`homing` if homing itself began, else a surprise) and the reason."""


NOT_YET = "not homed since the start"


def not_homed(why: str | None, what: str = "the carriage") -> Refused:
    """The refusal of a request that relies on a position which is not trusted."""
    return Refused("not_homed", f"{what[:1].upper()}{what[1:]} is not homed: {why}.", advice="Home it first.")


class Trust:
    """`homed`, with the reason if not; every listener is called once per loss, synchronously."""

    def __init__(self, lost: Lost, what: str = "the carriage") -> None:
        self._what = what
        self._listeners = [lost]
        self._homed = False
        self._why: str | None = NOT_YET
        self.losses = 0
        """How often `lose` was called, whether trusted before or not."""
        self.gains = 0
        """How often homing has succeeded."""

    @property
    def homed(self) -> bool:
        """Whether the position is trusted."""
        return self._homed

    @property
    def why(self) -> str | None:
        """Why it is not trusted, in a few words; None while it is."""
        return self._why

    def listen(self, lost: Lost) -> None:
        """Add a listener, called after the earlier ones."""
        self._listeners.append(lost)

    def gain(self) -> None:
        """Homing has succeeded: trust the position."""
        self.gains += 1
        self._homed = True
        self._why = None

    def lose(self, kind: str, why: str) -> None:
        """Withdraw trust; listeners are called if the position was trusted before; the latest reason is kept."""
        self.losses += 1
        before, self._homed = self._homed, False
        self._why = why
        if before:
            for listener in self._listeners:
                listener(kind, why)

    def require(self) -> None:
        """Raise Refused('not_homed') naming the reason."""
        if not self._homed:
            raise not_homed(self._why, self._what)
