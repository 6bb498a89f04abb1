"""A laser on the output of a motion board, which obeys no level while it moves: nobody is told that it is dark before
it is, and nothing begins meanwhile."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

import pytest

from benchd.errors import BenchdError
from tests.virtual.benches import VirtualBench, person

JOG_S = 20.0
PENDANT = b"$J=G91 Z-20 F60\n"
"""A hand at the controller's own keys: 20 mm, at 1 mm/s."""


def with_laser(doc: Any) -> None:
    """The board's output drives a laser; the target is lit by something else."""
    doc["devices"]["lamp"]["laser_class"] = "2"
    doc["roles"]["pointer"] = doc["roles"].pop("target_light")


async def test_it_is_not_told_as_dark_while_the_board_keeps_it_lit(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, change=with_laser) as bench, person(bench) as (client, _):
        lamp = bench.machine.lamp
        await client.do("home", axes=["carriage"])
        await client.command("light", light="pointer", level=1.0, hold="a", seq=1)
        assert lamp.level == 1.0
        began_s = bench.loop.time()
        bench.rig.board.feed(PENDANT)
        with pytest.raises(BenchdError, match="may still shine"):
            await client.command("light", beat=False, light="pointer", level=0.0)
        with pytest.raises(BenchdError, match="may still shine"):
            await client.do("home", axes=["carriage"])
        with pytest.raises(BenchdError, match="may still shine"):
            await client.command("light", light="pointer", level=1.0, hold="b", seq=1)
        await asyncio.sleep(began_s + 0.8 * JOG_S - bench.loop.time())
        assert lamp.level == 1.0, "the board has obeyed nothing yet"
        state = await client.kept("device/pointer")
        assert (state["state"], state["code"], state["level"]) == ("fault", "lit", 1.0)
        assert "may still shine" in state["text"]
        await asyncio.sleep(began_s + JOG_S + 3.0 - bench.loop.time())
        assert lamp.level == 0.0
        state = await client.kept("device/pointer")
        assert (state["state"], state["level"]) == ("ok", 0.0)
        await client.command("light", light="pointer", level=1.0, hold="c", seq=1)
        assert lamp.level == 1.0
        await asyncio.sleep(1.0)
        assert lamp.level == 0.0
