"""The shipped DMX bench as a whole: it lights, goes dark, outlives a pulled adapter, and what is left when it dies."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import cast

import pytest

from benchd.errors import BenchdError
from benchd_simulators.firmware.dmx import LOST_AFTER_S
from tests.virtual.benches import VirtualBench, person
from tests.virtual.rigs import DmxVirtualRig

SENT_S = 0.05
SAFE_S = 2.0


def lamp(bench: VirtualBench) -> float:
    return float(bench.machine.lamp.level)


async def test_it_lights_outlives_a_pulled_adapter_and_ends_dark(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, config="workshop-dmx") as bench:
        async with person(bench) as (client, _):
            await client.command("light", light="target_light", level=0.4)
            await asyncio.sleep(SENT_S)
            assert lamp(bench) == pytest.approx(0.4, abs=1e-4)
            assert client.state()["device/target_light"]["level"] == pytest.approx(0.4, abs=1e-4)
            await client.do("home")
            assert lamp(bench) == pytest.approx(0.4, abs=1e-4), "the board beside it has no say"

            await bench.fault("dmx", "unplug")
            await asyncio.sleep(1.5)
            assert client.state()["device/target_light"]["state"] == "offline"
            assert client.state()["device/carriage"]["homed"] is True
            with pytest.raises(BenchdError, match="Link light_line is"):
                await client.command("light", light="target_light", level=0.9)
            await bench.fault("dmx", "plug")
            await asyncio.sleep(SAFE_S)
            assert lamp(bench) == 0.0, "nothing resumes by itself"
            await client.command("light", light="target_light", level=0.9)
            await asyncio.sleep(SENT_S)
            assert lamp(bench) == pytest.approx(0.9, abs=1e-4)
        await bench.end_daemon()
        await asyncio.sleep(SENT_S)
        assert lamp(bench) == 0.0


@pytest.mark.parametrize(("on_loss", "then"), [("holds", 0.7), ("dark", 0.0)])
async def test_fault_18_a_killed_daemon_leaves_what_the_dimmer_is_set_to(
    tmp_path: Path, on_loss: str, then: float
) -> None:
    async with VirtualBench(tmp_path, config="workshop-dmx") as bench:
        cast(DmxVirtualRig, bench.rig).dimmer.on_loss = on_loss
        async with person(bench) as (client, _):
            await client.command("light", light="target_light", level=0.7)
            await asyncio.sleep(SENT_S)
            await bench.kill_daemon()
            await asyncio.sleep(LOST_AFTER_S / 2)
            assert lamp(bench) == pytest.approx(0.7, abs=1e-4)
            await asyncio.sleep(LOST_AFTER_S)
            assert lamp(bench) == pytest.approx(then, abs=1e-4)
            await bench.start_daemon()
            await asyncio.sleep(SENT_S)
            assert lamp(bench) == 0.0, "it begins dark"
