"""The switches that bar motion: the emergency stop, latched until it is re-armed, and hands in the bench, while there.

What cannot be read counts as acted on. Nothing here is a safety function: an emergency stop is wired so that it cuts
the drive's power without a computer, and this only takes notice of it.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import Any

from benchd.devices import Clock, DeviceError, Reading
from benchd.errors import Refused
from benchd.files.bench_file import Role

EMERGENCY_STOP: Role = "emergency_stop"
HANDS_IN: Role = "hands_in"
GUARDING: tuple[Role, ...] = (EMERGENCY_STOP, HANDS_IN)
"""The roles of switches that bar motion, the graver first."""

_ADVICE: Mapping[str, str] = {
    EMERGENCY_STOP: "Find out why and release it; then `benchd rearm` on the bench's own machine, and home.",
    HANDS_IN: "Take the hands out; then ask again, or resume the run. Nothing goes on by itself.",
}


def in_words(role: Role, device: str) -> str:
    """The name of such a switch in a sentence."""
    what = "emergency stop" if role == EMERGENCY_STOP else "switch for hands in the bench"
    return f"the {what} ({device})"


def pressed(reading: Reading, device: str) -> bool:
    """Whether that is what a switch tells that is acted on. Raises DeviceError where it is nothing that a switch
    tells."""
    if reading.quality == "bad" or reading.value not in (0.0, 1.0):
        raise DeviceError(f"it tells {reading.value:g}, and a switch 0 or 1", device=device)
    return reading.value == 1.0


@dataclass(slots=True, eq=False)
class Switch:
    """One such switch. It is `pressed` until it was read as released, and, `latched`, bars motion beyond that.

    `since` (RFC 3339, UTC) is when it began to bar motion; `unread` why it could not be read then, empty where it was.
    """

    role: Role
    device: str
    pressed: bool = True
    latched: bool = False
    since: str | None = None
    unread: str = ""

    @property
    def bars(self) -> bool:
        """Whether nothing may move for its sake."""
        return self.pressed or self.latched

    @property
    def in_words(self) -> str:
        """Its name in a sentence."""
        return in_words(self.role, self.device)

    @property
    def why(self) -> str:
        """Why it bars motion: a clause."""
        if self.since is None:
            return f"{self.in_words} was not read yet"
        at = f"{self.since[:19].replace('T', ' ')} UTC"
        if self.unread:
            return f"{self.in_words} could not be read at {at}, which counts as pressed: {self.unread}"
        if self.role == EMERGENCY_STOP:
            return f"{self.in_words} was pressed at {at}"
        return f"hands are in the bench ({self.device}) since {at}"

    @property
    def sentence(self) -> str:
        """The same as a sentence, and whether it is still so."""
        now = "" if self.pressed or not self.latched else "; it is released, and latched until it is re-armed"
        return f"{self.why[:1].upper()}{self.why[1:]}{now}."

    @property
    def advice(self) -> str:
        """What a person can do."""
        return _ADVICE[self.role]

    @property
    def data(self) -> dict[str, Any]:
        """The figures behind a refusal or an event."""
        return {"role": self.role, "device": self.device, "since": self.since, "unread": self.unread}


class Interlock:
    """What the switches say together. `tripped` is called, synchronously, with one that begins to bar motion, `freed`
    with one that does not any more, `changed` with any whose state is another one."""

    def __init__(self, roles: Mapping[str, str], clock: Clock) -> None:
        self._clock = clock
        self.switches = tuple(Switch(role, roles[role]) for role in GUARDING if role in roles)
        self.tripped: Callable[[Switch], None] = lambda _: None
        self.freed: Callable[[Switch], None] = lambda _: None
        self.changed: Callable[[Switch], None] = lambda _: None
        self.look: Callable[[], Awaitable[None]] | None = None
        """Returns once each switch was looked at a moment ago; given by who looks at them."""

    @property
    def barring(self) -> Switch | None:
        """The gravest switch that bars motion; None where all may move."""
        return next((switch for switch in self.switches if switch.bars), None)

    @property
    def emergency(self) -> Switch | None:
        """The emergency stop while it bars motion, and with it light."""
        barring = self.barring
        return barring if barring is not None and barring.role == EMERGENCY_STOP else None

    def require(self) -> None:
        """Raise Refused('interlock') naming the switch for which nothing may move."""
        if (switch := self.barring) is not None:
            raise Refused("interlock", switch.sentence, advice=switch.advice, data=switch.data)

    async def clear(self) -> None:
        """For who is about to move: every switch has been read a moment ago. Raises Refused('interlock')."""
        self.require()
        if self.switches and self.look is not None:
            await self.look()
            self.require()

    def acted(self, switch: Switch, unread: str = "") -> None:
        """It was read as pressed, or could not be read."""
        news, changed = switch.since is None, not switch.pressed
        switch.pressed = True
        if news:
            switch.since, switch.unread = self._clock.utc(), unread
            switch.latched = switch.role == EMERGENCY_STOP
            self.tripped(switch)
        if news or changed:
            self.changed(switch)

    def released(self, switch: Switch) -> None:
        """It was read as released, and long enough to be believed."""
        if not switch.pressed:
            return
        switch.pressed = False
        if switch.since is not None and not switch.latched:
            self._free(switch)
        self.changed(switch)

    def restore(self, since: str | None, unread: str) -> None:
        """The emergency stop was latched when the daemon ended, and nobody has re-armed it. Without one: nothing."""
        for switch in self.switches:
            if switch.role == EMERGENCY_STOP:
                switch.latched, switch.since, switch.unread = True, since or self._clock.utc(), unread

    def rearm(self) -> dict[str, Any]:
        """Let a latched emergency stop go, which moves nothing; gives its data as they were.

        Raises Refused: `interlock` while it is pressed or cannot be read, `bad_request` where none is latched.
        """
        latched = next((switch for switch in self.switches if switch.latched), None)
        if latched is None:
            raise Refused("bad_request", "No emergency stop is latched, so there is nothing to re-arm.")
        if latched.pressed:
            text = f"{latched.in_words[:1].upper()}{latched.in_words[1:]} is still pressed, or cannot be read."
            raise Refused("interlock", text, advice="Release it first, then re-arm.", data=latched.data)
        data = latched.data
        latched.latched = False
        self._free(latched)
        self.changed(latched)
        return data

    def _free(self, switch: Switch) -> None:
        self.freed(switch)
        switch.since, switch.unread = None, ""
