"""A calibration finding comes into force: kept in the record, taken into the chain at once."""

from __future__ import annotations

from datetime import datetime, timedelta

from benchd.bench.asked_for import calibrates_nothing
from benchd.bench.bench import Bench
from benchd.errors import Refused


async def accept(bench: Bench, finding: str, *, days: int | None, by: str) -> str:
    """Put the finding's length in force for its artefact and return the calibration's id.

    Raises Refused: unknown_name, bad_request for a finding that is no calibration or is in force already; busy while
    something runs that the chain must not change under.
    """
    doc = await bench.store.finding(finding)
    artefact = doc["measurand"].get("artefact")
    length = doc["values"].get("length")
    if artefact is None or length is None or length["value"] is None or length["u"] is None:
        raise calibrates_nothing(f"Finding {finding} ({doc['assessment']})")
    if not doc["absolute"]:
        raise Refused(
            "uncalibrated",
            f"Finding {finding} ({doc['assessment']}) is relative: its uncertainty lacks lines.",
            advice=" ".join(doc["notes"]),
        )
    valid_until: str | None = None
    if days is not None:
        now = datetime.fromisoformat(bench.clock.utc())
        valid_until = (now + timedelta(days=days)).strftime("%Y-%m-%dT%H:%M:%SZ")
    stands = (await bench.store.calibrations_in_force(bench.clock.utc())).get(artefact)
    if stands is not None and stands.finding == finding and _day(stands.valid_until) == _day(valid_until):
        until = f" until {valid_until[:10]}" if valid_until else ""
        text = f"Finding {finding} is already in force as {stands.calibration}{until}."
        raise Refused("bad_request", text, advice="Nothing needs to be done; other 'days' would change when it ends.")
    calibration = await bench.store.add_calibration(
        artefact,
        length["value"],
        length["u"],
        length["unit"],
        at_C=doc["measurand"]["reference_C"],
        dof=length["dof"],
        finding=finding,
        valid_until=valid_until,
        by=by,
    )
    await bench.setup.calibrated()
    bench.events.tell(
        "calibrated",
        f"{artefact} is {length['value']:.1f} µm, U = {length['U']:.1f} µm, in force"
        + (f" until {valid_until[:10]}." if valid_until else "."),
        data={"artefact": artefact, "calibration": calibration, "finding": finding},
    )
    return calibration


def _day(instant: str | None) -> str | None:
    return instant[:10] if instant else None
