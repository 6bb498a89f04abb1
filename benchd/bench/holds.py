"""Hold-to-run: what moves or shines only as long as somebody goes on saying so.

A hold begins with its first message, is refreshed by further ones, and lapses when none has come for `LAPSES_S`. What
has ended or lapsed never revives, whatever is received later, or was sent earlier.
"""

from __future__ import annotations

import math
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
    """One hold of a user: `asked` is what for, a signed speed (um/s) or a level (0 to 1), as last said, by the message
    numbered `seq`. It is over at `ends_s` (s, monotonic) at the latest."""

    user: str
    name: str
    seq: int
    asked: float
    began_s: float
    heard_s: float
    ends_s: float = math.inf
    end: End | None = None

    @property
    def until_s(self) -> float:
        """When it lapses, unless it is refreshed (s, monotonic)."""
        return min(self.heard_s + LAPSES_S, self.ends_s)


class Holds:
    """The hold under way, and the names of those that are over. `what` is held, in a sentence: 'The carriage is moved
    by hand'."""

    def __init__(self, clock: Clock, what: str) -> None:
        self._clock, self._what = clock, what
        self._now: Hold | None = None
        self._over: OrderedDict[tuple[str, str], None] = OrderedDict()

    def heard(self, user: str, name: str, seq: int, asked: float) -> tuple[Hold, bool]:
        """The hold that a message is of, and whether it is its first; 0 lets go.

        Raises Refused: `stale` for one that is over, or for a message that another has overtaken; `busy` while another
        hold is under way.
        """
        now = self._clock.monotonic()
        if self._now is not None:
            self.held(self._now)  # it may have lapsed, with nobody having looked since
        if (user, name) in self._over:
            text = f"The hold '{name}' has ended, and does not begin again."
            raise Refused("stale", text, advice="Let go, and hold anew under another name.")
        hold = self._now
        if hold is not None and (hold.user, hold.name) == (user, name):
            if seq <= hold.seq:
                text = f"Message {seq} of the hold '{name}' comes after {hold.seq}."
                raise Refused("stale", text, advice="Go on: `seq` has to rise.")
            hold.seq, hold.heard_s = seq, now
            if asked == 0.0:
                self._ends(hold, "let go")  # what it was stays known, by which it is told where that was
            else:
                hold.asked = asked
            return hold, False
        begun = Hold(user, name, seq, asked, began_s=now, heard_s=now)
        if asked == 0.0:
            self._ends(begun, "let go")  # its end has overtaken its beginning
        elif hold is not None:
            raise Refused("busy", f"{self._what} by {hold.user} already.", advice="It ends once it is let go.")
        else:
            self._now = begun
        return begun, True

    def held(self, hold: Hold) -> bool:
        """Whether it goes on, now."""
        if hold.end is None and self._clock.monotonic() >= hold.until_s:
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
