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
    with pytest.raises(Refused, match=f"The 'run' under way uses {LENS}") as refused:
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
        with pytest.raises(Refused, match="busy with a record that is changed"):
            await bench.client.command("nominal")
        with pytest.raises(Refused, match="busy with a record that is changed"):
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


async def record(bench: AtWork[VirtualBench], kind: str, record_id: str, **more: Any) -> dict[str, Any]:
    return dict(await bench.client.command("record", beat=False, kind=kind, id=record_id, **more))


async def test_a_record_is_told_and_changed_by_what_it_was(bench: AtWork[VirtualBench]) -> None:
    told = await record(bench, "lens", LENS)
    assert (told["file"], told["changes"], told["record"]["shims_fitted_um"]) == (None, [], [50.0])
    changed = await record(bench, "lens", LENS, set={"shims_fitted_um": [50, 10]}, was={"shims_fitted_um": [50]})
    assert changed["record"]["shims_fitted_um"] == [50.0, 10.0]
    with pytest.raises(Refused, match="shims_fitted_um of lens L-0417 has been changed meanwhile") as refused:
        await record(bench, "lens", LENS, set={"shims_fitted_um": [50, 10]}, was={"shims_fitted_um": [50]})
    assert (refused.value.code, refused.value.data["shims_fitted_um"]) == ("rev_conflict", [50.0, 10.0])
    with pytest.raises(Refused, match="There is a record of lens L-0417 already"):
        await record(bench, "lens", LENS, set=NEW, new=True)
    with pytest.raises(Refused, match="There is no lens 'L-0500'"):
        await record(bench, "lens", "L-0500")


async def test_a_file_of_another_id_is_not_written_into(bench: AtWork[VirtualBench]) -> None:
    lens_file(bench, "L-0418").rename(lens_file(bench, "L-0533"))
    await asyncio.sleep(NOTICED_S)
    with pytest.raises(Refused, match="is the record of lens 'L-0418', not of L-0533"):
        await record(bench, "lens", "L-0533", set={"f_number": 4})
    assert (await record(bench, "lens", "L-0418", set={"f_number": 4}))["file"] == "lenses/L-0533.yaml"


async def test_what_others_have_half_written_stops_nobody(bench: AtWork[VirtualBench]) -> None:
    """Nor does what an editor keeps beside the file, which points nowhere."""
    beside = lens_file(bench).parent
    (beside / ".#L-0417.yaml").symlink_to("somebody@nowhere")
    edited(lens_file(bench, "L-0418"), "f_number", "fast")
    events = bench.client.events()
    await record(bench, "lens", "L-0500", set=NEW)
    assert (await told(events, "records"))["text"] == "Lens L-0500 is new."
    edited(lens_file(bench, "L-0418"), "f_number", "4.0")
    assert (await told(events, "records"))["text"] == "Lens L-0418 was changed (f_number)."


async def test_what_up_would_refuse_is_refused(bench: AtWork[VirtualBench]) -> None:
    """An adapter ten times as long, as a slip of the point makes it: no lens would be within reach."""
    given = (await record(bench, "adapter", "ring-07"))["record"]["given"]
    with pytest.raises(Refused, match="nominal of some lens lies in the travel"):
        await record(bench, "adapter", "ring-07", set={"given": given | {"length_um": 180032.0, "u_um": 2.0}})


async def test_a_clearance_that_a_person_confirmed_is_asked_again(bench: AtWork[VirtualBench]) -> None:
    await record(bench, "lens", LENS, set={"rear_protrusion_mm": None})
    await bench.client.command("setup", set={"lens": LENS, "adapters": ["ring-07"], "glass": ["pane-25"]})
    setup = bench.stack.daemon._mqtt._bench.setup  # type: ignore[union-attr]
    setup.confirm_rear(setup.document, 42_000.0)
    layers = (await record(bench, "glass", "pane-25"))["record"]["layers"]
    await record(bench, "glass", "pane-25", set={"layers": [layers[0] | {"thickness_mm": 6.0}]})
    assert setup.rear_confirmed_um == {}


async def test_a_record_by_which_the_set_up_cannot_stand_is_not_written(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()
    before = lens_file(bench).read_bytes()
    with pytest.raises(Refused, match="stands on the bench"):
        await record(bench, "lens", LENS, set={"focal_length_mm": {"value": 2400.0, "u": 20.0}})
    assert lens_file(bench).read_bytes() == before


async def test_a_shelf_that_is_cleared_is_told_and_comes_back(bench: AtWork[VirtualBench]) -> None:
    events = bench.client.events()
    folder = lens_file(bench).parent
    folder.rename(folder.with_name("elsewhere"))
    assert "is gone" in (await told(events, "records"))["text"]
    folder.with_name("elsewhere").rename(folder)
    assert "is new" in (await told(events, "records"))["text"]


async def test_a_full_disk_is_told_and_the_edit_counts_later(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()
    events = bench.client.events()
    bench.stack.disk.fill(0)
    edited(lens_file(bench), "f_number", "2.8")
    assert (await told(events, "disk_full"))["severity"] == "warning"
    bench.stack.disk.clear()
    assert (await told(events, "records"))["text"] == f"Lens {LENS} was changed (f_number)."


async def test_a_record_that_was_edited_while_nobody_looked_makes_a_set_up_of_its_own(
    bench: AtWork[VirtualBench],
) -> None:
    """Else findings of the next day would name a chain that they were not made with."""
    await bench.at_nominal()
    before = await bench.client.kept("setup")
    await bench.stack.end_daemon()
    await bench.stack.start_daemon()
    async with bench.stack.client("second") as second:
        assert (await second.kept("setup"))["rev"] == before["rev"], "as long as nothing has changed"
    await bench.stack.end_daemon()
    path = bench.stack.bench_file.parent / "adapters" / "ring-07.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace("18003.2", "18013.2"), encoding="utf-8")
    await bench.stack.start_daemon()
    async with bench.stack.client("second") as second:
        after = await second.kept("setup")
    assert after["rev"] == before["rev"] + 1
    assert {one["term"]: one["value_um"] for one in after["chain"]}["adapter ring-07"] != {
        one["term"]: one["value_um"] for one in before["chain"]
    }["adapter ring-07"]


@pytest.mark.parametrize("ask", ["nominal", "record"])
async def test_half_of_a_file_is_never_in_force(bench: AtWork[VirtualBench], ask: str) -> None:
    """Cut off at the end of a line it reads well, and says that the lens has no tolerance and no shims."""
    await bench.at_nominal()
    events = bench.client.events()
    whole = lens_file(bench).read_text(encoding="utf-8").replace("owner: house", "owner: somebody")
    lens_file(bench).write_text(whole[: whole.index("tolerance:")], encoding="utf-8")
    if ask == "nominal":
        asked = asyncio.create_task(bench.client.do("nominal", within_s=20))
    else:
        asked = asyncio.create_task(record(bench, "lens", LENS, set={"set": "green"}))
    await asyncio.sleep(0.3)
    with lens_file(bench).open("a", encoding="utf-8") as file:
        file.write(whole[whole.index("tolerance:") :])
    await asked
    found = [(await told(events, "records"))["text"]]
    await asyncio.sleep(NOTICED_S)
    keys = "owner" if ask == "nominal" else "owner, set"
    assert found == [f"Lens {LENS} was changed ({keys})."]
    text = whole if ask == "nominal" else whole.replace("set: blue", "set: green")
    assert lens_file(bench).read_text(encoding="utf-8") == text


async def test_files_that_are_written_to_all_the_time_hold_nobody_up(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()

    async def written_to() -> None:
        for number in range(100):
            edited(lens_file(bench), "serial", f'"{number:04}"')
            await asyncio.sleep(0.2)

    writing = asyncio.create_task(written_to())
    await asyncio.sleep(1.0)
    began_s = asyncio.get_running_loop().time()
    await bench.client.do("nominal", within_s=5)
    with pytest.raises(Refused, match="Records are being written just now"):
        await record(bench, "lens", LENS, set={"set": "green"})
    assert asyncio.get_running_loop().time() - began_s < 5.0
    await writing
    assert (await record(bench, "lens", LENS, set={"set": "green"}))["record"]["serial"] == "0099"


async def test_what_is_refused_for_want_of_room_is_not_in_force_later(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()
    before, text = await bench.client.kept("setup"), lens_file(bench).read_text(encoding="utf-8")
    bench.stack.disk.fill(0)
    with pytest.raises(Refused) as refused:
        await record(bench, "lens", LENS, set={"tolerance": {"flange_um": 20}})
    assert refused.value.code == "disk_full"
    assert lens_file(bench).read_text(encoding="utf-8") == text
    bench.stack.disk.clear()
    await asyncio.sleep(NOTICED_S)
    assert (await bench.client.kept("setup"))["rev"] == before["rev"]
    assert (await record(bench, "lens", LENS))["record"]["tolerance"] == {"flange_um": 10.0}
    assert not list(lens_file(bench).parent.glob("*.new"))


async def test_what_is_written_by_hand_while_the_verb_waits_is_not_lost(bench: AtWork[VirtualBench]) -> None:
    """A slow disk holds a change of the set-up, and the verb behind it; the file is edited meanwhile."""
    await bench.at_nominal()
    bench.stack.disk.slow_s = 1.0
    async with bench.stack.client("second") as second:
        setting = asyncio.create_task(bench.client.command("setup", set={"trim_um": 5}))
        await asyncio.sleep(0.1)
        asked = asyncio.create_task(
            second.command("record", beat=False, kind="lens", id=LENS, set={"tolerance": {"flange_um": 20}})
        )
        await asyncio.sleep(0.1)
        edited(lens_file(bench), "owner", "somebody")
        await setting
        await asked
    bench.stack.disk.slow_s = 0.0
    text = lens_file(bench).read_text(encoding="utf-8")
    assert "owner: somebody\n" in text
    assert "tolerance: {flange_um: 20}" in text


async def test_what_is_written_by_hand_as_the_verb_writes_stands(bench: AtWork[VirtualBench]) -> None:
    await bench.at_nominal()
    bench.stack.disk.slow_s = 1.0
    async with bench.stack.client("second") as second:
        asked = asyncio.create_task(
            second.command("record", beat=False, kind="lens", id=LENS, set={"tolerance": {"flange_um": 20}})
        )
        await asyncio.sleep(0.1)
        edited(lens_file(bench), "owner", "somebody")
        by_hand = lens_file(bench).read_text(encoding="utf-8")
        with pytest.raises(Refused, match="has been changed by hand meanwhile") as refused:
            await asked
    assert refused.value.code == "rev_conflict"
    bench.stack.disk.slow_s = 0.0
    assert lens_file(bench).read_text(encoding="utf-8") == by_hand
    await asyncio.sleep(NOTICED_S)
    told = (await record(bench, "lens", LENS))["record"]
    assert (told["owner"], told["tolerance"]) == ("somebody", {"flange_um": 10.0})


async def test_a_file_that_has_just_gone_is_not_begun_anew(bench: AtWork[VirtualBench]) -> None:
    """It would hold what is set and nothing else: here no `fits` any more."""
    await bench.at_nominal()
    path = bench.stack.bench_file.parent / "glasses" / "pane-25.yaml"
    layers = (await record(bench, "glass", "pane-25"))["record"]["layers"]
    kept = path.read_text(encoding="utf-8")
    path.unlink()
    with pytest.raises(Refused, match=r"pane-25\.yaml, the file of glass pane-25, is gone") as refused:
        await record(bench, "glass", "pane-25", set={"layers": layers})
    assert (refused.value.code, path.exists()) == ("rev_conflict", False)
    path.write_text(kept, encoding="utf-8")
    changed = await record(bench, "glass", "pane-25", set={"layers": [layers[0] | {"thickness_mm": 2.5}]})
    assert changed["changes"] == ["glass pane-25 was changed (layers)"]
    assert "fits: [ring-07]" in path.read_text(encoding="utf-8")
