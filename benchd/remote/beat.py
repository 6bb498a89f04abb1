"""The beat: proof that who asks for motion has heard from this very process within the last seconds.

It is opaque to clients: an epoch, drawn at each start, and a counter. Its age is told by the daemon's own
monotonic clock from when the counter was given out, so no client's clock matters, and nothing that waited in
a queue, a phone or a broker can move the bench later. Fed from the motion loop, it stops when that loop hangs.
"""

from __future__ import annotations

import secrets
import string
from collections import deque

from benchd.devices.clock import Clock
from benchd.errors import Refused

_ALPHABET = string.ascii_lowercase + string.digits


class Beat:
    """Gives out beats (`k3f9-1842`) and judges those that come back."""

    def __init__(self, clock: Clock, *, oldest_s: float = 3.0, period_s: float = 1.0) -> None:
        self._clock = clock
        self._oldest_s = oldest_s
        self._period_s = period_s
        self._issued: deque[tuple[int, float]] = deque(maxlen=int(oldest_s / period_s) + 3)
        self.epoch = "".join(secrets.choice(_ALPHABET) for _ in range(6))
        self._count = 0

    @property
    def current(self) -> str:
        """The newest beat; the first is given out by the first `feed`."""
        return f"{self.epoch}-{self._count}"

    @property
    def now_s(self) -> float:
        """The monotonic time (s) by which beats, and what came when, are judged."""
        return self._clock.monotonic()

    def feed(self) -> str | None:
        """Called from the loop as often as it likes; a new beat when a period has passed since the last, else None."""
        now = self._clock.monotonic()
        if self._issued and now - self._issued[-1][1] < self._period_s:
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
                age = now - given_out
                if age <= self._oldest_s:
                    return
                break
        raise Refused(
            "stale",
            f"The beat is older than {self._oldest_s:g} s or was never given out; nothing moved.",
            advice="Send the latest `beat`.",
        )
