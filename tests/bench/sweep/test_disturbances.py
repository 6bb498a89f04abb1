"""What changed while a sweep was taken is said with who or what changed it, and what only looks so is not."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from benchd.bench.assembly import Assembly, build
from benchd.bench.lights import Lights
from benchd.bench.sweep.disturbances import Disturbances
from benchd.devices import Clock, Meter
from benchd.errors import BenchdError
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from tests.bench.datum.wall_chain import CONFIGS
from tests.fakes.devices import FakeLight, FakeMeter

U_K = 0.3
TYPED_C = 21.4


class Swept:
    """A lamp and a thermometer about which a sweep is taken."""

    def __init__(self) -> None:
        self.lamp = FakeLight("lamp", Clock(), steps=255)
        self.room = FakeMeter("room", Clock(), "temperature", "degC", 21.0)
        devices: Mapping[str, Any] = {"lamp": self.lamp, "room": self.room}
        roles = {"target_light": "lamp", "temperature": "room"}
        self.lights = Lights(Assembly({}, devices, roles), Clock())
        self.disturbances = Disturbances(self.lights, self.lamp, self.room, TYPED_C, U_K, Clock())


@pytest.fixture
async def swept() -> Swept:
    swept = Swept()
    await swept.lights.set("target_light", level=0.4, by="rail")
    await swept.disturbances.begin()
    return swept


async def test_nothing_changed(swept: Swept) -> None:
    swept.room.shows += 0.29
    await swept.lights.set("target_light", level=0.4, by="wall")
    assert await swept.disturbances.changes() == []


async def test_who_changed_the_light_is_named_also_where_it_is_as_before_in_the_end(swept: Swept) -> None:
    """A second person's lamp made a curve noisier, and no word was said of it."""
    await swept.lights.set("lamp", level=0.8, by="wall")
    await swept.lights.set("target_light", level=0.4, by="rail")
    assert await swept.disturbances.changes() == [
        "While a sweep was taken the target's light was changed from 0.4 to 0.8, by wall.",
        "While a sweep was taken the target's light was changed from 0.8 to 0.4, by rail.",
    ]


async def test_a_light_that_goes_out_after_the_time_it_was_given_is_who_gave_it(swept: Swept) -> None:
    await swept.lights.set("lamp", level=0.4, for_s=0.01, by="wall")
    await asyncio.sleep(0.1)
    (said,) = await swept.disturbances.changes()
    assert said.endswith("from 0.4 to 0, by the 0.01 s that wall gave it.")


async def test_a_light_set_by_its_role_is_not_put_out_by_a_time_given_it_by_its_name(swept: Swept) -> None:
    await swept.lights.set("lamp", level=0.8, for_s=0.05, by="wall")
    await swept.lights.set("target_light", level=0.4, by="rail")
    await asyncio.sleep(0.2)
    assert await swept.lamp.level() == pytest.approx(0.4, abs=1 / 255)


async def test_a_light_that_changed_by_itself_is_seen_as_it_is_read_back(swept: Swept) -> None:
    swept.lamp.now = 0.0
    (said,) = await swept.disturbances.changes()
    assert said.endswith("from 0.4 to 0, though nobody asked for it here.")


async def test_a_room_that_warmed_by_more_than_its_u_is_said(swept: Swept) -> None:
    swept.room.shows += 0.6
    assert await swept.disturbances.changes() == [
        "While a sweep was taken the temperature changed by +0.6 K, to 21.6 °C: more than its u of 0.3 K."
    ]
    swept.room.quality = "bad"
    assert await swept.disturbances.changes() == []


async def test_a_room_that_is_not_as_typed_is_said(swept: Swept) -> None:
    swept.room.shows = 23.0
    await swept.disturbances.begin()
    assert await swept.disturbances.changes() == [
        "The thermometer shows 23.0 °C and the set-up says 21.4 °C, by which the lengths were taken."
    ]


THERMOMETER = (
    'devices:\n  room: {driver: line, link: dial_line, ask: "T?", pattern: "^(.*)$", quantity: room, unit: UNIT}\n'
)


@pytest.mark.parametrize(("unit", "refused"), [("degC", False), ("K", True)])
def test_a_bench_file_gives_a_thermometer_its_role(tmp_path: Path, unit: str, refused: bool) -> None:
    """`check` and `up` refused the role, so that no room had ever been seen to warm."""
    shutil.copytree(CONFIGS, tmp_path / "configs")
    path = tmp_path / "configs" / "workshop" / "bench.yaml"
    text = path.read_text(encoding="utf-8").replace("devices:\n", THERMOMETER.replace("UNIT", unit), 1)
    path.write_text(text.replace("roles: {", "roles: {temperature: room, ", 1), encoding="utf-8")
    if refused:
        with pytest.raises(
            FileProblems, match=r"roles\.temperature = 'room': a meter whose unit is degC, .*; this one's is 'K'"
        ):
            build(load_bench(path))
    else:
        assert isinstance(build(load_bench(path)).in_role("temperature", Meter), Meter)


async def test_an_error_that_ended_the_sweep_names_it_too(swept: Swept) -> None:
    await swept.lights.set("lamp", on=False, by="wall")
    error = BenchdError("not_found", "The picture is too dark.", advice="Check light and target.")
    await swept.disturbances.explain(error)
    assert error.advice == (
        "While a sweep was taken the target's light was changed from 0.4 to 0, by wall. Check light and target."
    )


async def test_a_device_that_cannot_be_asked_costs_no_sweep(swept: Swept) -> None:
    swept.lamp.silent = True
    assert await swept.disturbances.changes() == []
