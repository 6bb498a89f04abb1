"""Hold-to-run: what moves only as long as somebody goes on saying so.

A hold begins with its first message, is refreshed by further ones, and lapses when none has come for `LAPSES_S`. What
has ended or lapsed never revives, whatever is received later, or was sent earlier.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Literal

from benchd.devices import Clock
from benchd.errors import Refused

LAPSES_S = 0.3
"""After the last refresh was received."""
REMEMBERED = 1000
"""Holds that are over and still known by name; a client makes a new name for each."""

End = Literal["let go", "lapsed"]


@dataclass(slots=True, eq=False)
class Hold:
    """One hold of a user: `speed_um_s` is signed and as last said, by the message numbered `seq`."""

    user: str
    name: str
    seq: int
    speed_um_s: float
    heard_s: float
    end: End | None = None


class Holds:
    """The hold under way, and the names of those that are over."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._now: Hold | None = None
        self._over: OrderedDict[tuple[str, str], None] = OrderedDict()

    def heard(self, user: str, name: str, seq: int, speed_um_s: float) -> tuple[Hold, bool]:
        """The hold that a message is of, and whether it is its first.

        Raises Refused: `stale` for one that is over, or for a message that another has overtaken; `busy` while another
        hold is under way.
        """
        now = self._clock.monotonic()
        if self._now is not None:
            self.held(self._now)  # it may have lapsed, with nobody having looked since
        if (user, name) in self._over:
            text = f"The hold {name} has ended, and moves nothing any more."
            raise Refused("stale", text, advice="Let go, and hold anew under another name.")
        hold = self._now
        if hold is not None and (hold.user, hold.name) == (user, name):
            if seq <= hold.seq:
                raise Refused("stale", f"Message {seq} of the hold {name} comes after {hold.seq}.", advice="Go on.")
            hold.seq, hold.heard_s = seq, now
            if speed_um_s == 0.0:
                self._ends(hold, "let go")  # its speed stays known, by which it is told where that was
            else:
                hold.speed_um_s = speed_um_s
            return hold, False
        if hold is not None:
            text = f"The carriage is moved by hand by {hold.user} already."
            raise Refused("busy", text, advice="It stops once it is let go.")
        hold = Hold(user, name, seq, speed_um_s, now)
        if speed_um_s == 0.0:
            self._ends(hold, "let go")  # its end has overtaken its beginning
        else:
            self._now = hold
        return hold, True

    def held(self, hold: Hold) -> bool:
        """Whether it goes on, now."""
        if hold.end is None and self._clock.monotonic() - hold.heard_s >= LAPSES_S:
            self._ends(hold, "lapsed")
        return hold.end is None

    def over(self, hold: Hold) -> None:
        """It ends, whoever still holds on: by a stop, a refusal, a fault."""
        if hold.end is None:
            self._ends(hold, "let go")

    def _ends(self, hold: Hold, end: End) -> None:
        hold.end = end
        if self._now is hold:
            self._now = None
        self._over[hold.user, hold.name] = None
        while len(self._over) > REMEMBERED:
            self._over.popitem(last=False)
