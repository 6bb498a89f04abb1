"""A calibration put into a record by a test, as `accept` would."""

from __future__ import annotations

from benchd.records.store import Store
from benchd.records.values import Calibration


async def add_calibration(
    store: Store,
    artefact: str,
    value: float | None,
    u: float | None,
    unit: str = "um",
    *,
    at_C: float | None,
    dof: float | None,
    finding: str | None,
    valid_until: str | None,
    by: str,
    points: tuple[float, ...] = (),
) -> str:
    """Its id."""
    given = Calibration("", artefact, value, u, unit, at_C, dof, points, finding, valid_until, by, "")
    (name,) = await store.add_calibrations([given])
    return name
