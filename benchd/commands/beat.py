"""The beat: proof that who asks for motion has heard from this very process within the last seconds.

It is opaque to clients: an epoch, drawn at each start, and a counter. Its age is told by the daemon's own
monotonic clock from when the counter was given out, so no client's clock matters, and nothing that waited in
a queue, a phone or a broker can move the bench later. Fed from the motion loop, it stops when that loop hangs.

A stop voids every beat drawn before it: who asked by one of them asked before anybody had said stop. Which of the two
was read first does not matter, though they come by different connections.
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
    """Gives out beats (`k3f9-1842`) and judges those that come back.

    `stopped_s` tells when the last stop came (s, monotonic).
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
        """The newest beat; the first is given out by the first `feed`."""
        return f"{self.epoch}-{self._count}"

    def feed(self) -> str | None:
        """Called from the loop as often as it likes; a new beat where one is due, else None.

        One is due a period after the last, and at once where a stop has voided that.
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
        """Raises Refused (stale) for a beat of another start of the daemon, or none of its beats at all."""
        if beat.rpartition("-")[0] != self.epoch:
            raise Refused("stale", "The beat is not of this start of the bench.", advice="Read `beat` and ask again.")

    def check(self, beat: str | None) -> None:
        """Raises Refused (stale) unless `beat` was given out by this process within the last seconds."""
        if beat is None:
            raise Refused("stale", "This can start motion and came without a beat.", advice="Send the latest `beat`.")
        self.check_epoch(beat)
        text = beat.rpartition("-")[2]
        now = self._clock.monotonic()
        for count, given_out in self._issued:
            if text == str(count):
                if given_out <= self._stopped_s():
                    raise Refused(
                        "stale",
                        "A stop came after this was asked for; nothing moved.",
                        advice="Where it is still wanted, send it again with the latest `beat`.",
                        data={"stopped": True},
                    )
                if now - given_out <= self._oldest_s:
                    return
                break
        raise Refused(
            "stale",
            f"The beat is older than {self._oldest_s:g} s or was never given out; nothing moved.",
            advice="Send the latest `beat`.",
        )


def tell_beat(beat: Beat, notices: Notices) -> None:
    """Publish a new beat where one is due."""
    new = beat.feed()
    if new is not None:
        notices.put("beat", {"beat": new})
