"""Records that are edited while the daemon runs, by hand and by the verb `record`."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from tests.at_work import LENS, AtWork
from tests.virtual.benches import VirtualBench

NOTICED_S = 3.0
NEW = {
    "mount": "m50", "focal_length_mm": {"value": 75.0, "u": 0.5}, "f_number": 2.0, "rear_protrusion_mm": 8.0,
    "serial": "0031",
}  # fmt: skip


def edited(path: Path, key: str, value: Any) -> None:
    text, found = re.subn(rf"(?m)^{key}:.*$", f"{key}: {value}", path.read_text(encoding="utf-8"))
    assert found == 1
    path.write_text(text, encoding="utf-8")


@pytest_asyncio.fixture
async def bench(tmp_path: Path) -> AsyncIterator[AtWork[VirtualBench]]:
    async with VirtualBench(tmp_path, seed=17) as stack:
        at_work = AtWork(stack)
        async with at_work.at():
            yield at_work


def lens_file(bench: AtWork[VirtualBench], lens: str = LENS) -> Path:
    return bench.stack.bench_file.parent / "lenses" / f"{lens}.yaml"


async def told(events: Any, code: str) -> dict[str, Any]:
    async with asyncio.timeout(10.0):
        async for _, event in events:
            if event["code"] == code:
                return dict(event)
    raise AssertionError


async def test_an_edited_lens_counts_at_once(bench: AtWork[VirtualBench]) -> None:
    """What stands on the bench is counted with anew; homing stays, the position is stale."""
    await bench.at_nominal()
    before = await bench.client.kept("setup")
    edited(lens_file(bench), "rear_protrusion_mm", 47.5)
    with pytest.raises(Refused) as refused:
        await bench.in_flange_check()
    assert refused.value.code == "clearance", "as the record says now, and not some seconds later"
    await asyncio.sleep(0.2)  # until it is told
    after = await bench.client.kept("setup")
    assert (after["rev"], after["stale"]) == (before["rev"] + 1, True)
    assert (await bench.client.kept("device/carriage"))["homed"] is True


async def test_a_new_lens_is_known_without_a_restart(bench: AtWork[VirtualBench]) -> None:
    events = bench.client.events()
    text = lens_file(bench).read_text(encoding="utf-8").replace(f"lens: {LENS}", "lens: L-0500")
    lens_file(bench, "L-0500").write_text(text, encoding="utf-8")
    event = await told(events, "records")
    assert event["text"] == "Lens L-0500 is new."
    assert event["data"]["changes"] == [{"kind": "lens", "record_id": "L-0500", "how": "new", "was": {}, "now": {}}]
    await bench.client.command("setup", beat=False, set={"lens": "L-0500", "adapters": ["ring-07"]})


async def test_a_bad_edit_is_told_with_its_line_and_what_was_in_force_stays(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()
    before = await bench.client.kept("setup")
    events = bench.client.events()
    edited(lens_file(bench), "f_number", "fast")
    event = await told(events, "bad_request")
    assert (event["severity"], event["data"]["problems"][0]["key"]) == ("warning", "f_number")
    assert re.search(rf"{LENS}.yaml:8:\d+ f_number = 'fast': a number", event["text"])
    assert "What was in force stays so" in event["advice"]
    await bench.client.do("nominal", within_s=20)
    assert (await bench.client.kept("setup"))["rev"] == before["rev"]
    edited(lens_file(bench), "f_number", "2.8")
    assert (await told(events, "records"))["text"] == f"Lens {LENS} was changed (f_number)."


async def test_a_record_of_what_stands_on_the_bench_cannot_go(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()
    events = bench.client.events()
    kept = lens_file(bench).read_text(encoding="utf-8")
    lens_file(bench).unlink()
    event = await told(events, "unknown_name")
    assert LENS in event["text"]
    assert "stands on the bench" in event["text"]
    await bench.client.do("nominal", within_s=20)
    await bench.client.command("setup", beat=False, set={"lens": None, "glass": [], "adapters": []})
    assert (await told(events, "records"))["text"] == f"Lens {LENS} is gone."
    lens_file(bench).write_text(kept, encoding="utf-8")
    assert (await told(events, "records"))["text"] == f"Lens {LENS} is new."


async def test_nothing_changes_under_a_run_that_uses_it(bench: AtWork[VirtualBench]) -> None:
    await bench.in_flange_check()
    before = await bench.client.kept("setup")
    with pytest.raises(Refused, match=f"The run under way uses {LENS}") as refused:
        await bench.client.command("record", beat=False, kind="lens", id=LENS, set={"f_number": 2.8})
    assert refused.value.code == "busy"
    await bench.client.command("record", beat=False, kind="lens", id="L-0500", set=NEW)
    events = bench.client.events()
    edited(lens_file(bench), "f_number", "4.0")
    assert (await told(events, "busy"))["severity"] == "warning"
    await asyncio.sleep(NOTICED_S)
    assert (await bench.client.kept("setup"))["rev"] == before["rev"]
    run = (await bench.client.kept("procedure"))["run"]
    await bench.client.command("abort", beat=False, run=run)
    assert (await told(events, "records"))["text"] == f"Lens {LENS} was changed (f_number)."


async def test_nothing_goes_by_half_a_change(bench: AtWork[VirtualBench]) -> None:
    """The disk takes its time for a record of what stands on the bench: nothing is driven or set up by half of it."""
    await bench.at_nominal()
    before = await bench.client.kept("setup")
    bench.stack.disk.slow_s = 0.5
    async with bench.stack.client("second") as second:
        written = asyncio.create_task(
            second.command("record", beat=False, kind="lens", id=LENS, set={"principal_gap_mm": {"value": 1, "u": 10}})
        )
        await asyncio.sleep(0.1)
        with pytest.raises(Refused, match="busy with a record that has changed"):
            await bench.client.command("nominal")
        with pytest.raises(Refused, match="busy with a record that has changed"):
            await bench.client.command("setup", set={"trim_um": 5})
        assert (await written)["rev"] == before["rev"] + 1
    bench.stack.disk.slow_s = 0.0
    await asyncio.sleep(0.2)
    after = await bench.client.kept("setup")
    assert (after["rev"], after["trim_um"], after["lens"]) == (before["rev"] + 1, 0.0, LENS)
    await bench.client.do("nominal", within_s=20)


async def test_a_record_is_written_as_a_person_would(bench: AtWork[VirtualBench]) -> None:
    before = lens_file(bench).read_text(encoding="utf-8")
    answer = await bench.client.command(
        "record", beat=False, kind="lens", id=LENS, set={"shims_fitted_um": [50, 10], "t_number": None}
    )
    assert answer["file"] == f"lenses/{LENS}.yaml"
    assert answer["changes"] == [f"lens {LENS} was changed (t_number, shims_fitted_um)"]
    expected = before.replace("shims_fitted_um: [50]", "shims_fitted_um: [50, 10]").replace("t_number: 2.1\n", "")
    assert lens_file(bench).read_text(encoding="utf-8") == expected
    again = await bench.client.command("record", beat=False, kind="lens", id=LENS, set={"shims_fitted_um": [50, 10]})
    assert again["changes"] == []


async def test_what_was_just_written_by_hand_is_not_lost(bench: AtWork[VirtualBench]) -> None:
    edited(lens_file(bench), "owner", "somebody")
    await bench.client.command("record", beat=False, kind="lens", id=LENS, set={"set": "green"})
    text = lens_file(bench).read_text(encoding="utf-8")
    assert "owner: somebody\n" in text
    assert "set: green\n" in text


@pytest.mark.parametrize(
    ("kind", "record_id", "values", "why"),
    [
        ("lens", LENS, {"f_number": -1.0}, "f_number = -1.0: "),
        ("lens", LENS, {"weight": 3}, "weight = 3: "),
        ("lens", LENS, {"lens": "L-0501"}, "stays as it is"),
        ("lens", "L-0500", {"mount": "m50"}, "focal_length_mm: this key is needed"),
        ("lens", "l-0417", NEW, "an id of its own"),
        ("lens", "L-0500", NEW | {"mount": "m42"}, "mount = 'm42'"),
        ("lens", "../L-0500", NEW, "id"),
        ("adapter", "ring-07", {"seat_above": "elsewhere"}, "stands on the bench"),
    ],
)
async def test_a_record_that_cannot_be(
    bench: AtWork[VirtualBench], kind: str, record_id: str, values: dict[str, Any], why: str
) -> None:
    await bench.at_nominal()
    folder = bench.stack.bench_file.parent
    before = {path: path.read_bytes() for path in folder.glob("*s/*.yaml")}
    with pytest.raises(Refused, match=re.escape(why)) as refused:
        await bench.client.command("record", beat=False, kind=kind, id=record_id, set=values)
    assert refused.value.code == "bad_request"
    assert {path: path.read_bytes() for path in folder.glob("*s/*.yaml")} == before
