"""An emergency stop and a door for hands: whatever comes in whichever order, nothing moves that nobody asked for now."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from benchd.errors import BenchdError, Refused
from tests.virtual.benches import VirtualBench, person
from tests.virtual.rigs import with_switches

pytestmark = pytest.mark.asyncio


async def test_thin(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, change=with_switches) as bench, person(bench) as (client, _):
        await client.do("home", axes=["carriage"])
        print(await client.kept("device/emergency_stop"))
        move = asyncio.create_task(client.do("move", carriage_um=25000.0))
        await asyncio.sleep(2.0)
        bench.ask_world({"do": "press", "what": "emergency_stop"})
        t = asyncio.get_running_loop().time()
        with pytest.raises(BenchdError) as e:
            await move
        print(e.value, asyncio.get_running_loop().time() - t)
        print(await client.kept("device/emergency_stop"))
        print(await client.kept("device/carriage"))
        with pytest.raises(Refused) as r:
            await client.do("home", axes=["carriage"])
        print(r.value)
        try:
            await bench.rearm()
        except Exception as x:
            print(x)
        bench.ask_world({"do": "release", "what": "emergency_stop"})
        await asyncio.sleep(1)
        print(await client.kept("device/emergency_stop"))
        print(await bench.rearm())
        await asyncio.sleep(0.5)
        await client.do("home", axes=["carriage"])
        print(await client.kept("device/carriage"))
