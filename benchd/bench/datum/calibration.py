"""A row of the record as the calibration that the chain counts with; its finding says how it was come by."""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from typing import Any

from benchd.assessments.finding import AtWall
from benchd.bench.datum.chain_terms import CalibrationInForce, Shares
from benchd.optics.expansion import REFERENCE_C
from benchd.records.values import Calibration


def in_force(
    row: Calibration, finding: Mapping[str, Any] | None, own: Container[str] = ()
) -> CalibrationInForce | None:
    """The calibration of a row of the record; None if withdrawn. `finding` is the accepted document, if any.

    Of the arrangement's `own` artefacts one that was withdrawn is told as such: the bench file's figure was of before.
    """
    if row.value is None or row.u is None:
        gone = CalibrationInForce(row.calibration, row.artefact, 0.0, 0.0, withdrawn=True)
        return gone if row.artefact in own else None
    doc: Mapping[str, Any] = finding or {}
    entries = doc.get("calibrates", ())
    about: Mapping[str, Any] = next((entry for entry in entries if entry["artefact"] == row.artefact), {})
    return CalibrationInForce(
        id=row.calibration,
        artefact=row.artefact,
        value=row.value,
        u=row.u,
        dof=row.dof,
        at_C=REFERENCE_C if row.at_C is None else row.at_C,
        carriage_um=about.get("carriage_um"),
        shares=Shares(**about.get("shares", {})),
        setup=doc.get("setup"),
        at_wall=AtWall.model_validate(about["at_wall"]) if about.get("at_wall") else None,
        light_nm=about.get("light_nm"),
        how=about.get("how") or "",
        common_u=about.get("common_u") or 0.0,
        unit=row.unit,
        lens=doc.get("lens"),
    )


def found_in(finding: Mapping[str, Any], own: Container[str] = ()) -> Sequence[CalibrationInForce]:
    """What would come into force of a finding, each without an id; nothing for a value that was not found."""
    at_C = finding["measurand"].get("reference_C")
    rows = []
    for entry in finding.get("calibrates", ()):
        value = finding["values"][entry["value"]]
        found = value["value"], value["u"], value["unit"], at_C, value.get("dof")
        rows.append(Calibration("", entry["artefact"], *found, (), None, None, "", ""))
    return [one for row in rows if row.value is not None and (one := in_force(row, finding, own)) is not None]
