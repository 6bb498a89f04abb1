"""The shipped Modbus bench as a whole: it homes, drives to where the world says it is, lights, stops, and outlives a
pulled cable."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path
from typing import Any

import pytest

from bench_journal import read
from bench_modbus import figures_of, stopped
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from stack import Stack
from tests.stack.conftest import SEED, person

pytestmark = pytest.mark.stack


def patient(bench_file: Any) -> None:
    """A simulator that shares its processor with other tests answers late now and then."""
    bench_file["links"]["drive_line"]["timeout_s"] = 0.5


async def until_homed_is(client: BenchClient, homed: bool) -> None:
    ends = time.monotonic() + 20.0
    while client.state().get("device/carriage", {}).get("homed") is not homed:
        assert time.monotonic() < ends, client.state().get("device/carriage")
        await asyncio.sleep(0.05)


async def place_um(bench: Stack) -> float:
    """Where the carriage truly is, by the world's own origin."""
    at_um: float = (await bench.truth())["now"]["carriage_um"]
    return at_um


async def moved(client: BenchClient, carriage_um: float) -> BenchdError | None:
    try:
        await client.do("move", carriage_um=carriage_um)
    except BenchdError as error:
        return error
    return None


async def test_a_bench_on_a_modbus_drive(tmp_path: Path) -> None:
    journal = tmp_path / "journal.txt"
    bench = Stack(config="workshop-modbus", seed=SEED, hardware=("--modbus",), change=patient, journal=journal)
    async with bench:
        published = await stopped(bench, 2)
        await homes_moves_lights_stops_and_outlives_a_pulled_cable(bench)
        await bench.end("daemon")
        await bench.end("sim")  # the journal is whole only now
    (figure,) = figures_of("RTU at 19200 baud", published, read(journal))
    assert "of 2; 0 not seen" in figure.note
    assert figure.value > 0.0


async def homes_moves_lights_stops_and_outlives_a_pulled_cable(bench: Stack) -> None:
    async with person(bench) as (client, _):
        await client.do("home")
        await client.do("move", carriage_um=3000)
        near_um = await place_um(bench)
        await client.do("move", carriage_um=9000)
        assert abs(await place_um(bench) - near_um - 6000) < 3.0, "twice the tolerance, and the scale's error"
        await client.command("light", light="target_light", level=0.4)

        move = asyncio.create_task(moved(client, 25_000))
        await asyncio.sleep(1.0)
        await client.stop()
        stopped = await move
        assert stopped is not None
        at_um = await place_um(bench)
        assert near_um + 6100 < at_um < near_um + 21_000
        await asyncio.sleep(0.5)
        assert abs(await place_um(bench) - at_um) < 1.0
        assert client.state()["device/carriage"]["homed"] is True

        move = asyncio.create_task(moved(client, 29_000))
        await asyncio.sleep(0.7)
        bench.ask_world({"do": "fault", "who": "drive", "what": "unplug", "args": {"s": 1.0}})
        lost = await move
        assert lost is not None
        await until_homed_is(client, False)
        await asyncio.sleep(3.0)
        at_um = await place_um(bench)
        refused = await moved(client, 5000)
        assert refused is not None
        assert refused.code == "not_homed"
        assert abs(await place_um(bench) - at_um) < 1.0, "nothing resumes by itself"
        await client.do("home")
        await client.do("move", carriage_um=3000)
        assert abs(await place_um(bench) - near_um) < 20.0, "the switch scatters"
        assert client.state()["device/target_light"]["level"] == 0.0, "the light came back at its safe level"
