"""No hidden zeros: a calibration that has run out shows in what is found without it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from benchd.devices.clock import Clock
from benchd.records.store import Store
from technician import RunEnded, Technician
from tests.one_calibration import add_calibration
from tests.virtual.benches import PACE, VirtualBench, person


@asynccontextmanager
async def record_of(bench: VirtualBench) -> AsyncIterator[Store]:
    """The bench's record, open while the daemon is away."""
    await bench.end_daemon()
    store = await Store.open("sqlite:///workshop.db", bench.bench_file.parent, Clock())
    try:
        yield store
    finally:
        await store.close()
    await bench.start_daemon()


async def run_out(store: Store, artefact: str) -> None:
    """What was calibrated is valid no more."""
    old = (await store.calibrations_in_force(Clock().utc()))[artefact]
    assert old.value is not None
    assert old.u is not None
    await add_calibration(
        store,
        artefact, old.value, old.u, old.unit, at_C=old.at_C, dof=old.dof,
        finding=old.finding, valid_until="2001-01-01T00:00:00Z", by="keeper",
    )  # fmt: skip


async def test_without_a_calibration_the_interval_widens_or_zero_is_gone(record: Path, tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, record=record, pace=PACE) as bench:

        async def check() -> dict:  # type: ignore[type-arg]
            async with person(bench) as (_, technician):
                return await technician.check("L-0417", ["ring-07"], ["pane-25"])

        whole = await check()
        assert whole["absolute"] is True
        assert whole["calibrations"] == ["cal-1", "cal-2"]

        async with record_of(bench) as store:
            await run_out(store, "ring-07")
        given = await check()
        lines = {line["term"]: line for line in given["budgets"]["focus_error"]}
        assert (lines["adapter ring-07"]["u"], lines["adapter ring-07"]["source"]) == (1.5, "given by maker")
        assert given["values"]["focus_error"]["U"] > whole["values"]["focus_error"]["U"]
        assert any("ring-07 not calibrated" in note for note in given["notes"])
        assert given["absolute"] is True
        assert given["calibrations"] == ["cal-1"]

        async with record_of(bench) as store:
            await run_out(store, "bench-zero")
        without = await check()
        assert without["absolute"] is False
        assert without["verdict"] is None
        assert without["advice"] is None
        assert without["calibrations"] == []
        assert any("findings are relative" in note for note in without["notes"])
        # 100 um is what the bench file says of the base that nobody measured
        assert without["values"]["focus_error"]["u"] > 100.0


class Hasty(Technician):
    """Presses Enter at the third round with the bridge left on the ring, and so often when asked to seat it again."""

    rounds = 0
    seats_again_after = 0
    asked_again = 0

    def obey(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
        if ask["name"] == "let_down_on_base":
            self.rounds += 1
            if self.rounds == 3:
                self._seat = "base"
                return True
        if ask["name"] == "seat_again":
            self.asked_again += 1
            if self.asked_again <= self.seats_again_after:
                return True
        return super().obey(procedure, ask, inputs)


class Mistaken(Technician):
    """Sets the bridge on the bench's base where the ring is asked for, at the third round."""

    rounds = 0

    def obey(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
        if ask["name"] == "let_down_on_ring":
            self.rounds += 1
            if self.rounds == 3:
                self._do("set", "indicator", "base")
                return True
        return super().obey(procedure, ask, inputs)


async def test_who_is_asked_to_accept_sees_what_was_found_and_a_round_that_went_wrong(tmp_path: Path) -> None:
    """On a bench whose base is 4 um longer than its file says: a bridge on the base reads as if it were on the ring."""
    said: list[str] = []
    async with VirtualBench(tmp_path, pace=PACE) as bench, bench.client("technician") as client:
        await client.command("take", beat=False)
        inputs = {"reference": "collar-45"}
        plan = await client.command("run", procedure="bench_zero", inputs=inputs, dry=True)

        async def run(technician: Technician) -> tuple[dict[str, Any], str]:
            said.clear()
            state = await technician.run("bench_zero", **inputs)
            asked = [line.removeprefix("asked: ") for line in said if line.startswith("asked: ")]
            assert asked[:-1] == plan["asks"][:-1], "nothing else is asked otherwise"
            return await technician.finding("bench_zero", str(state["run"])), asked[-1]

        spoilt, asked = await run(Mistaken(bench, client, said.append))
        (note,) = [note for note in spoilt["notes"] if "far off" in note]
        assert note.startswith("Pair of readings 3 of 5 ")
        length = spoilt["values"]["length"]
        found = re.match(
            r"Found: bench-zero ([\d.]+) ± ([\d.]+) µm, [+−][\d.]+ µm from the 24000(\.0)? µm stated in ", asked
        )
        assert found is not None, asked
        assert (float(found[1]), float(found[2])) == pytest.approx((length["value"], length["U"]), abs=0.5)
        assert asked.endswith(f"{note} {plan['asks'][-1]}")

        good, asked = await run(Technician(bench, client, said.append))
        assert not [note for note in good["notes"] if "far off" in note]
        assert re.search(r" ± [\d.]+ µm, [+−][\d.]+ µm from the [\d.]+ µm in force \(cal-1\)\. ", asked), asked


async def test_a_bridge_left_on_the_ring_is_asked_for_again_and_its_pair_read_anew(tmp_path: Path) -> None:
    """It stands still while the carriage moves under it; the run of 17 questions ended there."""
    said: list[str] = []
    async with VirtualBench(tmp_path, pace=PACE) as bench, bench.client("technician") as client:
        await client.command("take", beat=False)
        hasty = Hasty(bench, client, said.append)
        state = await hasty.run("bench_zero", reference="collar-45")
        again = [line for line in said if "Seat it again" in line]
        assert len(again) == 1
        asked = re.compile(
            r"asked: Round 3 of 5: The carriage went deeper by ([\d.]+) µm and indicator reads [+−-]\d\.\d µm "
        )
        told = asked.match(again[0])
        assert told, again
        assert float(told[1]) == pytest.approx(100.0, abs=2.0), "each place is where it was told to be, to 1 um"
        finding = await hasty.finding("bench_zero", str(state["run"]))
        assert not [note for note in finding["notes"] if "far off" in note]
        assert finding["readings"]["indices"] == [0, 5 * 4 + 2 - 1], "both were read anew"

        hasty.rounds, hasty.asked_again, hasty.seats_again_after = 0, 0, 3
        with pytest.raises(RunEnded, match=r"failed'\. The carriage went deeper .* It was seated again 3 times\. See"):
            await hasty.run("bench_zero", reference="collar-45")
        assert hasty.asked_again == 3


async def test_progress_moves_on_with_every_round_and_the_time_to_go_falls(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, pace=PACE) as bench, person(bench) as (client, technician):
        technician.clear()
        states = client.watch("procedure")
        last = await technician.run("adapter_length", adapter="ring-07")
        told: list[dict[str, Any]] = []
        async for _, state in states:
            told += [state] if state["run"] == last["run"] else []
            if state["run"] == last["run"] and state["state"] == "done":
                break
    progress = [state["progress"] for state in told]
    assert progress == sorted(progress)
    rounds = [state for state in told if state["step"] == 4]
    assert len({state["progress"] for state in rounds}) > 3 * 8, "four moves and four readings each of three times"
    middle = [state["eta_s"] for state in rounds if 0.3 < state["progress"] < 0.99]
    climbs = [later - earlier for earlier, later in pairwise(middle)]
    assert max(climbs) <= 2.0
    assert middle[-1] < 0.4 * middle[0]
