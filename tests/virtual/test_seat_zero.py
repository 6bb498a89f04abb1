"""The zero on the seat of the adapters against that of base and adapter: through MQTT and the hand alone."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from alike_pairs import zero
from finding_bench import LENS, PANE, RING, FindingBench, ready
from tests.virtual.benches import PACE, VirtualBench, person

pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def at_wall(record: Path, tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[FindingBench]:
    """Base and adapter are calibrated; the seat is not yet."""
    async with (
        VirtualBench(tmp_path_factory.mktemp("seat"), record=record, pace=PACE) as bench,
        person(bench) as (client, technician),
    ):
        yield await ready(bench, client, technician)


async def seated(at_wall: FindingBench) -> dict[str, Any]:
    """The lens on the adapter that stands there, which is not touched; gives its finding."""
    technician, client = at_wall.technician, at_wall.client
    for pane in PANE:
        at_wall.bench.hand("fit", "glass", pane)
    technician.seat(LENS)
    tape = technician.measure("tape")
    wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
    await client.command("take", beat=False)
    await client.command("setup", set={"lens": LENS, "glass": list(PANE), "ring": "infinity", **wall})
    return await at_wall.sweep()


async def test_a_zero_on_the_seat_is_as_true_and_surer(at_wall: FindingBench) -> None:
    compared = await zero(at_wall)
    before, after, *_, seat_zero = compared.findings
    assert [entry["artefact"] for entry in seat_zero["calibrates"]] == ["bench-zero.ring-07"]
    setup = await at_wall.client.kept("setup")
    terms = {term["term"] for term in setup["chain"]}
    assert "seat ring-07" in terms
    assert not {"base", "adapter ring-07"} & terms
    assert any("has not been taken off since" in note for note in after["notes"])

    one, other = (finding["values"]["focus_error"] for finding in (before, after))
    truth = at_wall.truth()["focus_error_um"]
    for value in (one, other):
        assert abs(value["value"] - truth) <= value["U"]
    assert other["u"] < one["u"]
    assert abs(compared.off.value) <= 1.5 * compared.off.U, "beyond: once in 300"
    assert compared.off.u < one["u"], "ring, wall and thermometer are in both"


async def test_a_shim_is_proved_by_the_one_pair_that_was_apart(at_wall: FindingBench) -> None:
    """On the seat's zero the adapter stays: the lens's own pair is all that the line of joints is of."""
    technician, client = at_wall.technician, at_wall.client
    state = await technician.run("seat_zero", reference=technician.reference, adapters=list(RING))
    before = await seated(at_wall)
    technician.put_shim(50)
    try:
        state = await technician.run("shim_proof", lens=LENS, shims_um=[50, 50])
        proof = await technician.finding("shim_proof", str(state["run"]))
    finally:
        technician.take_shim(50)
        await client.command("record", beat=False, kind="lens", id=LENS, set={"shims_fitted_um": [50]})
        await client.command("light", beat=False, level=0.4)  # the procedure leaves it dark
    one = {line["term"]: line["u"] for line in before["budgets"]["focus_error"]}
    change = {line["term"]: line["u"] for line in proof["budgets"]["change"]}
    for name in ("joints", "stand-off"):
        assert change[f"{name} before"] == change[f"{name} after"] == pytest.approx(one[name])
    assert not any(term.startswith(("seat", "conjugate", "glass")) for term in change)
    assert abs(proof["values"]["unexplained"]["value"]) <= proof["values"]["change"]["U"] + 2.0 * 0.3


async def test_an_adapter_that_is_taken_off_and_seated_again_costs_its_joint(at_wall: FindingBench) -> None:
    technician, client = at_wall.technician, at_wall.client
    state = await technician.run("seat_zero", reference=technician.reference, adapters=list(RING))
    assert state["state"] == "done"
    stayed = await seated(at_wall)
    await client.command("setup", set={"lens": None, "glass": [], "adapters": []})
    again = await at_wall.find_at_wall(LENS, RING, PANE)
    joints = [
        next(line["u"] for line in finding["budgets"]["focus_error"] if line["term"] == "joints")
        for finding in (stayed, again)
    ]
    by_seat = any(line["term"] == "seat ring-07" for line in again["budgets"]["focus_error"])
    assert joints[0] == pytest.approx(0.7)
    assert joints[1] == pytest.approx(0.7 * (3.0 if by_seat else 2.0) ** 0.5)
    truth = at_wall.truth()["focus_error_um"]
    assert abs(again["values"]["focus_error"]["value"] - truth) <= again["values"]["focus_error"]["U"]


async def test_without_an_adapter_there_is_no_seat_but_the_base(at_wall: FindingBench) -> None:
    from benchd.errors import Refused

    await at_wall.client.command("take", beat=False)
    with pytest.raises(Refused, match="adapters"):
        await at_wall.client.run("seat_zero", {"reference": at_wall.technician.reference, "adapters": []})
