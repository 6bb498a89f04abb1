"""The readings of an axis test as two tables of deviations, runs x places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchd.bench.datum.gauge_check import sign_of
from benchd.errors import Refused
from benchd.optics.expansion import REFERENCE_C

if TYPE_CHECKING:
    from benchd.questions.evidence import Evidence
    from benchd.records.values import ReadingRow

Floats = NDArray[np.float64]

APART_UM = 5.0
"""Readings whose carriage stood nearer to each other than this are of one place."""
LEAST_RUNS = 2


def by_place(evidence: Evidence) -> tuple[Floats, Floats, Floats]:
    """The places (um, at 20 C), and the deviations there (um; actual less asked for, their common part of no meaning)
    of the approaches from below and from above, runs x places.

    Raises Refused('not_found') where the approaches do not match.
    """
    alpha_per_K = (evidence.scale.alpha_per_K if evidence.scale else None) or 0.0
    growth = 1.0 + alpha_per_K * (evidence.temperature.at_C - REFERENCE_C)
    sign = sign_of(evidence.gauge())
    below, above = (evidence.readings.get(name, ()) for name in ("from_below", "from_above"))
    standing = np.sort(np.array([row.carriage_um or 0.0 for row in (*below, *above)]))
    starts = np.flatnonzero(np.diff(standing, prepend=-np.inf) > APART_UM)
    groups = np.split(standing, starts[1:])
    places = np.array([float(group.mean()) for group in groups])
    tables = [_table(rows, places, sign, growth) for rows in (below, above)]
    if tables[0].shape != tables[1].shape or len(tables[0]) < LEAST_RUNS:
        raise Refused(
            "not_found",
            f"The run holds {len(below)} approaches from below and {len(above)} from above of {len(places)} places.",
            advice=f"Approach each from both sides equally often, {LEAST_RUNS} times or more: run `axis_test`.",
        )
    return places * growth, tables[0], tables[1]


def _table(rows: Sequence[ReadingRow], places: Floats, sign: float, growth: float) -> Floats:
    """Runs x places; as many runs as each place has, or none where they differ in that."""
    found: list[list[float]] = [[] for _ in places]
    for row in rows:
        if row.value is None:
            raise Refused("not_found", f"Reading {row.idx} of {row.run} has no value.", advice="Run it anew.")
        stood = row.carriage_um or 0.0
        found[int(np.argmin(np.abs(places - stood)))].append(sign * row.value - stood * growth)
    if len({len(values) for values in found}) != 1:
        return np.empty((0, len(places)))
    return np.array(found, dtype=np.float64).T
