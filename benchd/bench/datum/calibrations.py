"""Calibrations in force: a finding that is accepted, kept in the record and taken into the chain at once."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from benchd.bench.datum.chain_terms import CalibrationInForce, Shares
from benchd.errors import Refused
from benchd.optics.expansion import REFERENCE_C
from benchd.quantities import printed_unit
from benchd.records.values import Calibration

if TYPE_CHECKING:
    from benchd.bench.bench import Bench


def in_force(row: Calibration, finding: Mapping[str, Any] | None) -> CalibrationInForce | None:
    """None where it was withdrawn. `finding` is the document it was accepted from, None where there is none."""
    if row.value is None or row.u is None:
        return None
    doc: Mapping[str, Any] = finding or {}
    about: Mapping[str, Any] = next((one for one in doc.get("calibrates", ()) if one["artefact"] == row.artefact), {})
    return CalibrationInForce(
        id=row.calibration,
        artefact=row.artefact,
        value_um=row.value,
        u_um=row.u,
        dof=row.dof,
        at_C=REFERENCE_C if row.at_C is None else row.at_C,
        carriage_um=about.get("carriage_um"),
        shares=Shares(**about.get("shares", {})),
    )


def calibrates_nothing(finding: str, instead: Sequence[str] = ()) -> Refused:
    """What is said of a finding that is no calibration."""
    advice = f"Accept a finding of {' or '.join(instead)}." if instead else "Accept one that calibrates something."
    return Refused("bad_request", f"{finding} calibrates nothing.", advice=advice)


async def accept(bench: Bench, finding: str, *, days: int | None, by: str) -> str:
    """Put in force what a finding calibrates, all of it, and return the id of the (first) calibration.

    Raises Refused: unknown_name, bad_request for a finding that is no calibration, is one of nothing that this bench
    counts with, or is in force already; uncalibrated for a relative one.
    """
    doc = await bench.store.finding(finding)
    named = f"Finding {finding} ({doc['assessment']})"
    values = {one["artefact"]: doc["values"][one["value"]] for one in doc.get("calibrates", ())}
    if not values or any(value["value"] is None or value["u"] is None for value in values.values()):
        raise calibrates_nothing(named)
    if not doc["absolute"]:
        text = f"{named} is relative: its uncertainty lacks lines."
        raise Refused("uncalibrated", text, advice=" ".join(doc["notes"]))
    for artefact, value in values.items():
        bench.setup.check_counts_with(artefact, value["unit"], named)
    valid_until: str | None = None
    if days is not None:
        now = datetime.fromisoformat(bench.clock.utc())
        valid_until = (now + timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")
    await _check_new(bench, finding, list(values), valid_until)
    at_C, length = doc["measurand"]["reference_C"], _Length(finding, valid_until, by)
    given = [length.of(one, values[one], at_C) for one in values]
    accepted = await asyncio.shield(_in_force(bench, given))  # whoever stops waiting: chain and record stay one
    for calibration, (artefact, value) in zip(accepted, values.items(), strict=True):
        bench.events.tell(
            "calibrated",
            f"{artefact} is {_printed(value)}, in force" + (f" until {valid_until[:10]}." if valid_until else "."),
            data={"artefact": artefact, "calibration": calibration, "finding": finding},
        )
    return accepted[0]


async def _in_force(bench: Bench, given: Sequence[Calibration]) -> list[str]:
    accepted = await bench.store.add_calibrations(given)
    await bench.setup.calibrated()
    return accepted


@dataclass(frozen=True, slots=True)
class _Length:
    """What all calibrations of one finding have in common."""

    finding: str
    valid_until: str | None
    by: str

    def of(self, artefact: str, value: Mapping[str, Any], at_C: float) -> Calibration:
        found = value["value"], value["u"], value["unit"], at_C, value["dof"]
        return Calibration("", artefact, *found, (), self.finding, self.valid_until, self.by, "")


async def _check_new(bench: Bench, finding: str, artefacts: Sequence[str], valid_until: str | None) -> None:
    """Raise Refused('bad_request') where all of it is in force already, until the same day."""
    in_force = await bench.store.calibrations_in_force(bench.clock.utc())
    stand = [in_force.get(artefact) for artefact in artefacts]
    if all(one is not None and one.finding == finding and _day(one.valid_until) == _day(valid_until) for one in stand):
        until = f" until {valid_until[:10]}" if valid_until else ""
        ids = " and ".join(one.calibration for one in stand if one is not None)
        text = f"Finding {finding} is already in force as {ids}{until}."
        raise Refused("bad_request", text, advice="Nothing needs to be done; other 'days' would change when it ends.")


def _printed(value: dict[str, Any]) -> str:
    unit = printed_unit(value["unit"])
    size = value["U"] if value["U"] is not None else value["u"]
    return f"{value['value']:.1f} {unit}, {'U' if value['U'] is not None else 'u'} = {size:.1f} {unit}"


def _day(instant: str | None) -> str | None:
    return instant[:10] if instant else None
