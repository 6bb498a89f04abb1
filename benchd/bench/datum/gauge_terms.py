"""What the one gauge, by which base and adapters were measured, did to all of their lengths together.

Base and adapters are added up, so what a gauge does to both adds up with its sign (JCGM 100, 5.2.2 and F.1.2.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd.bench.datum.chain_terms import Length
from benchd.metrology.chain_term import ChainTerm


def gauge_terms(base: Length, adapters: Sequence[Length]) -> list[ChainTerm]:
    """Lines of the gauge's hysteresis and of its gain; none where no length was found by one."""
    hysteresis = _hysteresis_u_um(base.shares.hysteresis_um, sum(part.shares.hysteresis_um for part in adapters))
    gain = sum(part.shares.gain_um for part in (base, *adapters))
    source = ", ".join(part.source for part in (base, *adapters) if part.shares.hysteresis_um or part.shares.gain_um)
    lines = [
        ChainTerm("gauge hysteresis", 0.0, hysteresis, None, "arcsine", source),
        # Which way a gauge read off its middle is not kept. One gain is at fault each time, so the sum bounds it.
        ChainTerm("gauge gain", 0.0, gain, None, "normal", source),
    ]
    return [line for line in lines if line.u_um > 0.0]


def _hysteresis_u_um(of_base: float, of_adapters: float) -> float:
    """The u of all lengths together from those of the base and, summed, of the adapters.

    A tip comes to ring, base and seats from one side or the other, at one kind of place always alike: a reading is
    half of the hysteresis h off, s = +-h/2. The base is `s(base) - s(ring)` off, an adapter `s(seat) - s(base)`. With
    one adapter the base face drops out, and of two hystereses one is left; with n of them the sum is
    `n s(seat) - (n - 1) s(base) - s(ring)`, which grows with n and not with its root.
    """
    base, adapters = of_base / math.sqrt(2.0), of_adapters / math.sqrt(2.0)
    return math.hypot(base, base - adapters, adapters)
