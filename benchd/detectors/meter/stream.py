"""A meter's readings one after the other, each stamped at the middle of the stretch of light that it measured.

Stamps are late by what the amplifier takes, which is the same both ways.
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Awaitable, Callable
from random import Random

from benchd.detectors.meter.light import Readings
from benchd.detectors.values import Capture
from benchd.devices import Clock

Read = Callable[[], Awaitable[Readings]]
"""One reading of the signal, and of the reference at the same time."""

STANDS_STILL = 2.0
"""For so many integrations after a stretch ended nothing else is shown: then the next one measured the same, as where a
display is coarser than the noise. It was due after one, and may be late by as much again."""


async def as_asked(read: Read, clock: Clock, smeared_s: float) -> AsyncIterator[Capture]:
    """Each answer of a meter that begins when it is asked."""
    while True:
        began_s = clock.monotonic()
        taken = await read()
        exposed_s = math.hypot(clock.monotonic() - began_s, smeared_s)
        yield Capture(taken, taken.t_mono, clock.utc(), exposed_s)  # how much of that it measured nobody knows


async def as_they_change(read: Read, clock: Clock, integration_s: float, smeared_s: float) -> AsyncIterator[Capture]:
    """Each new value of a meter that measures by itself: that it has one is seen by asking faster than it measures, and
    that it has the same again by the time that goes by.

    How long after a new value it is asked again is drawn anew for each: were the questions in step with the meter, all
    would be late alike on one way, and otherwise on the other."""
    before, draw = await read(), Random(0)
    exposed_s, middle_s = math.hypot(integration_s, smeared_s), before.t_mono - integration_s
    while True:
        taken = await read()
        apart_s = min(taken.t_mono - before.t_mono, integration_s)
        new = taken.signal != before.signal
        before = taken
        if not new and taken.t_mono - middle_s < (0.5 + STANDS_STILL) * integration_s:
            continue
        if new or apart_s == integration_s:  # asked less often, it may have shown others meanwhile
            middle_s = taken.t_mono - 0.5 * (apart_s + integration_s)
        else:
            middle_s += integration_s
        yield Capture(taken, middle_s, clock.utc(), exposed_s, integration_s)
        if new:
            await clock.sleep(draw.uniform(0.0, apart_s))
