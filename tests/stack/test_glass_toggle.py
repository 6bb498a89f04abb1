"""A plate out, in, in, out, through the whole stack: the shift of best focus against the world's traced plate."""

from __future__ import annotations

import pytest

from stack import Stack
from tests.stack.conftest import person
from tests.stack.differences import Difference, agrees, expanded

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

LENS, RING, PANE = "L-0417", "ring-07", "pane-25"


async def test_shift_is_the_traced_plates_and_its_residual_is_told(bench: Stack) -> None:
    found = {}

    async def shift_less_truth() -> Difference:
        async with person(bench) as (_, technician):
            technician.fit([RING], [], LENS)
            tape = technician.measure("tape")
            wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
            state = await technician.run("glass_toggle", lens=LENS, adapters=[RING], glass=[PANE], repeats=1, **wall)
            finding = await technician.finding("glass_toggle", state["run"])
        peaks = {}
        for glass in ("out", "in"):
            if glass == "in":
                bench.hand("fit", "glass", PANE)
            truth = await bench.truth()
            peaks[glass] = truth["now"]["peak_depth_um"]
        found.update(finding)
        places = {f"position subdivision, glass {state}" for state in ("out", "in")}
        assert places <= {line["term"] for line in finding["budget"]}
        own = [(line["u"], line["dof"]) for line in finding["budget"] if line["term"] != "plate record"]
        u, U = expanded(own)
        stated = finding["values"]["shift"]
        assert stated["u"] == pytest.approx(u)
        assert u < 1.0, "an interleaved difference knows nothing of base, adapter, joints or wall"
        return Difference(stated["value"] - (peaks["in"] - peaks["out"]), u, U)

    await agrees(shift_less_truth, 0.0)
    values = found["values"]

    # t (1 - 1/n) of the record: 2.498 mm, n = 1.5230
    assert values["paraxial"]["value"] == pytest.approx(2498.0 * (1.0 - 1.0 / 1.5230))
    assert values["residual"]["value"] == pytest.approx(values["shift"]["value"] - values["paraxial"]["value"])
    assert values["residual"]["u"] > values["shift"]["u"], "the plate's own record comes in"
    assert 0.0 < values["expected_residual"]["value"] < values["paraxial"]["value"]
    assert values["residual"]["value"] > 0.0, "a cone is shifted further than a ray near the axis"
    # The whole of the margin's shift would be twice the expected; the rest of the plate's record is 3 u of 0.9 um.
    assert values["residual"]["value"] < 2.0 * values["expected_residual"]["value"] + 3.0 * values["residual"]["u"]
    assert found["lens"] == LENS
    assert found["measurand"]["glass"] == [PANE]
    assert found["verdict"] is None
    assert found["advice"] is None
    assert any("paraxial" in note for note in found["notes"])
