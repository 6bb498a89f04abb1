"""The beat: proof that a client asking for motion has heard from this very process within the last seconds.

It is opaque to clients: an epoch, drawn at each start, and a counter. Its age is measured by the daemon's own
monotonic clock from when the counter was issued, so no client's clock matters, and a command that was delayed in a
queue, a phone or a broker cannot move the bench later. Fed from the motion loop, it stops when that loop hangs.

A stop voids every beat issued before it: a command with such a beat was sent before the stop was known. So it does not
matter which of the two was read first, though they come by different connections.
"""

from __future__ import annotations

import math
import secrets
import string
from collections import deque
from collections.abc import Callable

from benchd.bench.notices import Notices
from benchd.devices.clock import Clock
from benchd.errors import Refused

_ALPHABET = string.ascii_lowercase + string.digits


class Beat:
    """Issues beats (`k3f9-1842`) and checks those that come back.

    `stopped_s` gives the time of the last stop (s, monotonic).
    """

    def __init__(
        self,
        clock: Clock,
        stopped_s: Callable[[], float] = lambda: -math.inf,
        *,
        oldest_s: float = 3.0,
        period_s: float = 1.0,
    ) -> None:
        self._clock = clock
        self._stopped_s = stopped_s
        self._oldest_s = oldest_s
        self._period_s = period_s
        self._issued: deque[tuple[int, float]] = deque(maxlen=int(oldest_s / period_s) + 3)
        self.epoch = "".join(secrets.choice(_ALPHABET) for _ in range(6))
        self._count = 0

    @property
    def current(self) -> str:
        """The newest beat; the first is issued by the first `feed`."""
        return f"{self.epoch}-{self._count}"

    def feed(self) -> str | None:
        """A new beat if one is due, else None; may be called as often as the loop likes.

        A beat is due a period after the last, and at once if a stop has voided that.
        """
        now = self._clock.monotonic()
        if self._issued:
            last = self._issued[-1][1]
            if last > self._stopped_s() and now - last < self._period_s:
                return None
        self._count += 1
        self._issued.append((self._count, now))
        return self.current

    def check_epoch(self, beat: str) -> None:
        """Raises Refused (stale) for a beat of another start of the daemon, or no beat at all."""
        if beat.rpartition("-")[0] != self.epoch:
            raise Refused("stale", "The beat is not of this start of the bench.", advice="Read `beat` and ask again.")

    def check(self, beat: str | None, within_s: float | None = None) -> None:
        """Raises Refused (stale) unless `beat` was issued by this process within the last seconds, by default all that
        a command may take."""
        oldest_s = self._oldest_s if within_s is None else min(within_s, self._oldest_s)
        if beat is None:
            raise Refused("stale", "This can start motion and came without a beat.", advice="Send the latest `beat`.")
        self.check_epoch(beat)
        text = beat.rpartition("-")[2]
        now = self._clock.monotonic()
        for count, issued_s in self._issued:
            if text == str(count):
                if issued_s <= self._stopped_s():
                    raise Refused(
                        "stale",
                        "A stop came after this was asked for; nothing moved.",
                        advice="Where it is still wanted, send it again with the latest `beat`.",
                        data={"stopped": True},
                    )
                if now - issued_s <= oldest_s:
                    return
                break
        raise Refused(
            "stale",
            f"The beat is older than {oldest_s:g} s or was never given out; nothing moved.",
            advice="Send the latest `beat`.",
        )


def publish_beat(beat: Beat, notices: Notices) -> None:
    """Publish a new beat if one is due."""
    new = beat.feed()
    if new is not None:
        notices.put("beat", {"beat": new})
