"""Whether more readings would be worth their time: by their own share of the uncertainty, and by the verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from benchd.metrology.budget import Term, combine
from benchd.metrology.decision import outcome, probability_of_conformity

SHARE = 0.2
"""Readings whose u is a fifth of everything else's add 2 % to the whole: more of them buy nothing."""


def more_readings(terms: Sequence[Term], value_um: float, verdict: Mapping[str, Any] | None) -> dict[str, Any]:
    """Whether to take more, and why. `terms` are the lines of the value's budget, that of the readings first.

    To go on until the value suits would bend it. The readings' u is looked at instead; the verdict counts only where it
    is undecided and would be decided if the readings, with this value, had no u at all.
    """
    readings, others = terms[0], terms[1:]
    rest = math.hypot(*(term.u for term in others))
    beside = f"The readings' own u is {readings.u:.2f} µm, that of everything else {rest:.2f} µm"
    if readings.u > SHARE * rest:
        return {"worth": True, "why": f"{beside}: more than a fifth of it."}
    if verdict is not None and verdict["is"] == "undecided":
        without = combine([replace(readings, u=0.0), *others]).distribution
        p = probability_of_conformity(value_um, without, verdict["low"], verdict["high"])
        if outcome(p) != "undecided":
            return {"worth": True, "why": f"{beside}; without the readings' the verdict would be decided."}
    return {"worth": False, "why": f"{beside}: more readings would buy nothing."}
