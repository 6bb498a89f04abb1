"""A row of the record as the calibration that the chain counts with; its finding says how it was come by."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.bench.chain_terms import CalibrationInForce, Shares
from benchd.optics.expansion import REFERENCE_C
from benchd.records.values import Calibration


def in_force(row: Calibration, finding: Mapping[str, Any] | None) -> CalibrationInForce | None:
    """None where it was withdrawn. `finding` is the document it was accepted from, None where there is none."""
    if row.value is None or row.u is None:
        return None
    doc: Mapping[str, Any] = finding or {}
    about: Mapping[str, Any] = next((one for one in doc.get("calibrates", ()) if one["artefact"] == row.artefact), {})
    budget = doc["budgets"].get(about["value"], ()) if about else ()
    return CalibrationInForce(
        id=row.calibration,
        artefact=row.artefact,
        value_um=row.value,
        u_um=row.u,
        dof=row.dof,
        at_C=REFERENCE_C if row.at_C is None else row.at_C,
        carriage_um=about.get("carriage_um"),
        shares=shares_of({line["term"]: line["u"] for line in budget}),
    )


def shares_of(lines: Mapping[str, float]) -> Shares:
    """What a length by gauge owes to the bench's scale, carriage and gauge, by the lines (name -> u) of its budget."""
    return Shares(
        scale_um=lines.get("scale", 0.0),
        abbe_um=lines.get("abbe", 0.0),
        hysteresis_um=lines.get("gauge hysteresis", 0.0),
        gain_um=lines.get("gauge gain", 0.0),
    )
