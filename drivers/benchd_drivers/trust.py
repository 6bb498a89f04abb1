"""Whether an axis's position can be believed: gained by homing alone, lost in one place, whatever the cause."""

from __future__ import annotations

from typing import Literal

from benchd.devices import Clock, Health, Surprise
from benchd_drivers.channel import Channel, Listener

Kind = Literal["reset", "limit", "stall", "disabled", "link"]


class Trust:
    """`homed`, and why not; each loss is told once as a Surprise."""

    def __init__(self, name: str, clock: Clock) -> None:
        self._name = name
        self._clock = clock
        self._surprises: Channel[Surprise] = Channel()
        self.homed = False
        self.why = "not homed since the start"
        self._fault: Health | None = None

    def gain(self) -> None:
        """Homing has set the zero."""
        self.homed, self.why, self._fault = True, "", None

    def renounce(self, why: str) -> None:
        """Not homed, for a reason that surprises nobody (a start, a close, homing begun)."""
        self.homed, self.why, self._fault = False, why, None

    def lose(self, why: str, kind: Kind) -> None:
        """A surprise. Told again only where it is of another kind than the one that stands."""
        told = self._fault is not None and self._fault.code == kind
        self.homed, self.why = False, why
        self._fault = Health("fault", kind, f"{self._name}: {why}.")
        if not told:
            self._surprises.tell(Surprise(kind, self._fault.text, self._clock.monotonic()))

    def surprises(self) -> Listener[Surprise]:
        """What is lost from now on."""
        return self._surprises.listen()

    def end(self) -> None:
        """No more surprises."""
        self._surprises.end()

    def health(self) -> Health:
        """The fault that stands, else whether the axis is homed."""
        if self._fault is not None:
            return self._fault
        if not self.homed:
            return Health("degraded", "not_homed", f"{self._name} is not homed: {self.why}.")
        return Health("ok")
