"""The contacts of an emergency stop and of a door for hands: they open as somebody acts on them, and bounce.

These are the contacts that tell a computer. What a wired emergency stop does to the drive's power is left out, so that
whatever stops here was stopped by who reads them.
"""

from __future__ import annotations

from collections.abc import Callable

from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.fitting import named

EMERGENCY_STOP, HANDS_IN = "emergency_stop", "hands_in"
BOUNCE_S = 0.01
"""After each change, common practice, no source."""


class Contacts:
    """Normally closed: a circuit is closed while nobody acts on its switch and its wire is whole."""

    def __init__(self, draws: Draws, now: Callable[[], float]) -> None:
        self._now = now
        self._chance = draws.rng("contacts")
        self._acted = dict.fromkeys((EMERGENCY_STOP, HANDS_IN), False)
        self._bounces_until_s = dict.fromkeys(self._acted, 0.0)
        self.cut: set[str] = set()
        """Those whose wire is cut."""
        self.scattered: set[str] = set()
        """Those whose contacts are worn, and touch or not as they like."""

    @property
    def acted(self) -> dict[str, bool]:
        """Whether somebody acts on each."""
        return dict(self._acted)

    def act(self, name: object, on: bool) -> dict[str, bool]:
        """Press it or let it go; gives whether each is acted on. Raises HandRefused."""
        known = self.known(name)
        if self._acted[known] != on:
            self._acted[known] = on
            self._bounces_until_s[known] = self._now() + BOUNCE_S
        return self.acted

    def closed(self, name: str) -> bool:
        """Whether its circuit is closed, as its input is read."""
        if name in self.cut:
            return False
        if name in self.scattered or self._now() < self._bounces_until_s[name]:
            return bool(self._chance.integers(2))
        return not self._acted[name]

    def known(self, name: object) -> str:
        """The name of a switch. Raises HandRefused."""
        if name not in self._acted:
            raise HandRefused(f"There is no switch {name!r}; there are {named(self._acted)}.")
        return str(name)
