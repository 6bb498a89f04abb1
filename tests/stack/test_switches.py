"""Faults 12 and 16 with real bytes and a real broker: an emergency stop, hands in the bench, and `benchd rearm`.

In which order whatever comes is tried in `tests/virtual/test_guarding_switches.py`.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import stat
from pathlib import Path
from typing import Any

import pytest

from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError, Refused
from stack import BIN, Stack
from tests.stack.conftest import PACE, SEED, person
from tests.virtual.rigs import with_switches

pytestmark = pytest.mark.stack

FAR_UM = 25_000.0


async def benchd(stack: Stack, *words: str) -> tuple[int, str]:
    """A command as a person types it on the bench's machine: its exit code, and what it says."""
    process = await asyncio.create_subprocess_exec(
        str(BIN / "benchd"), *words, stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
        env={**os.environ, "XDG_RUNTIME_DIR": str(stack.folder / "xdg"), "COLUMNS": "500"},
    )  # fmt: skip
    out, _ = await process.communicate()
    assert process.returncode is not None
    return process.returncode, out.decode()


async def told(client: BenchClient, topic: str, **holds: object) -> dict[str, object]:
    """The document of a topic once these keys have these values."""
    async with asyncio.timeout(60):
        async for _, doc in client.watch(topic):
            if doc is not None and all(doc[key] == value for key, value in holds.items()):
                return dict(doc)
    raise AssertionError(topic)


async def moving(client: BenchClient) -> asyncio.Task[Any]:
    """A move that is under way."""
    move = asyncio.create_task(client.do("move", carriage_um=FAR_UM))
    await told(client, "device/carriage", state="moving")
    return move


async def by_a_later_beat(client: BenchClient, verb: str, **args: Any) -> None:
    """A command after a stop: sent before the next beat is heard, it is refused as stale, and sent again."""
    while True:
        try:
            await client.command(verb, **args)
        except Refused as refused:
            if refused.code != "stale":
                raise
        else:
            return
        await asyncio.sleep(0.1)


async def place_um(stack: Stack) -> float:
    return float((await stack.truth())["now"]["carriage_um"])


async def stays(stack: Stack) -> None:
    before = await place_um(stack)
    await asyncio.sleep(1.0)
    assert await place_um(stack) == pytest.approx(before, abs=0.5)


def board_since(journal: Path, at: int) -> bytes:
    """What was written to the board since the journal was so long."""
    lines = journal.read_text(encoding="utf-8").splitlines()[at:]
    return b"".join(bytes(line.split("\t")[3], "ascii") for line in lines if line.split("\t")[1:3] == ["board", "in"])


def length(journal: Path) -> int:
    return len(journal.read_text(encoding="utf-8").splitlines())


async def test_fault_12_an_emergency_stop_is_latched_until_it_is_rearmed_at_the_bench(tmp_path: Path) -> None:
    journal = tmp_path / "journal.tsv"
    async with (
        Stack(seed=SEED, pace=PACE, change=with_switches, journal=journal) as stack,
        person(stack) as (client, _),
    ):
        listens = stack.folder / "xdg" / "benchd" / "north-rail.rearm"
        assert stat.S_IMODE(os.stat(listens).st_mode) == 0o600
        assert (await benchd(stack, "rearm")) == (
            1, "No emergency stop is latched, so there is nothing to re-arm. (bad_request)\n",
        )  # fmt: skip
        await client.do("home", axes=["carriage"])
        await client.command("light", beat=False, level=0.4)
        move = await moving(client)
        stack.ask_world({"do": "press", "what": "emergency_stop"})
        with pytest.raises(BenchdError, match=r"The emergency stop \(stop_button\) was pressed at") as stopped:
            await move
        assert stopped.value.code == "interlock"
        assert (await told(client, "device/target_light", level=0.0))["state"] == "ok"
        carriage = await told(client, "device/carriage", state="fault", homed=False)
        assert (carriage["code"], "stop_button" in str(carriage["text"])) == ("interlock", True)
        switch = await told(client, "device/emergency_stop", pressed=True, latched=True)
        assert await place_um(stack) < FAR_UM - 1000.0

        code, said = await benchd(stack, "rearm")
        assert (code, "still pressed" in said) == (1, True)
        since = length(journal)
        stack.ask_world({"do": "release", "what": "emergency_stop"})
        assert (await told(client, "device/emergency_stop", pressed=False))["since"] == switch["since"]
        await stays(stack)
        for verb, args in (("home", {"axes": ["carriage"]}), ("move", {"carriage_um": 1000.0}), ("nominal", {})):
            with pytest.raises(Refused, match="latched until it is re-armed") as refused:
                await client.command(verb, **args)
            assert (refused.value.code, refused.value.data["device"]) == ("interlock", "stop_button")
        with pytest.raises(Refused) as refused:  # nobody re-arms from afar
            await client.command("rearm", beat=False)
        assert refused.value.code == "unknown_verb"

        assert await stack.end("daemon", signal.SIGKILL) == -signal.SIGKILL
        await stack.start_daemon()
        async with stack.client("technician") as again:
            await again.command("take", beat=False, force=True)
            kept = await told(again, "device/emergency_stop", pressed=False, latched=True)
            assert kept["since"] == switch["since"]
            code, said = await benchd(stack, "status")
            assert (code, "LATCHED since" in said) == (0, True)
            with pytest.raises(Refused, match="stop_button"):
                await again.command("home", axes=["carriage"])
            code, said = await benchd(stack, "rearm", "--json")
            assert (code, json.loads(said)) == (0, {"ok": True, "result": {"rearmed": "stop_button"}})
            assert (await benchd(stack, "rearm"))[0] == 1
            await told(again, "device/emergency_stop", latched=False)
            await stays(stack)
            written = board_since(journal, since)
            assert b"$H" not in written
            assert b"G1" not in written, "neither release, nor restart, nor re-arming moves anything"
            with pytest.raises(Refused) as refused:
                await again.command("move", carriage_um=1000.0)
            assert refused.value.code == "not_homed"
            await again.do("home", axes=["carriage"])
            await again.do("move", carriage_um=1000.0)
            assert b"$H" in board_since(journal, since), "what is looked for above is seen"


async def test_fault_16_hands_in_the_bench_stop_what_moves_and_bar_what_is_asked_for() -> None:
    async with Stack(seed=SEED, pace=PACE, change=with_switches) as stack, person(stack) as (client, _):
        await client.do("home", axes=["carriage"])
        move = await moving(client)
        stack.ask_world({"do": "press", "what": "hands_in"})
        with pytest.raises(BenchdError, match=r"stopped by the switch for hands in the bench \(door\)"):
            await move
        await told(client, "device/hands_in", pressed=True, latched=False)
        carriage = await told(client, "device/carriage", state="fault")
        assert carriage["homed"] is True, "an ordinary stop keeps the place"
        assert "Hands are in the bench (door) since" in str(carriage["text"])
        with pytest.raises(Refused, match=r"Hands are in the bench \(door\)") as refused:
            await by_a_later_beat(client, "move", carriage_um=1000.0)
        assert refused.value.code == "interlock"
        code, said = await benchd(stack, "rearm")
        assert (code, "nothing to re-arm" in said) == (1, True)
        stack.ask_world({"do": "release", "what": "hands_in"})
        await told(client, "device/hands_in", pressed=False, since=None)
        await stays(stack)
        await told(client, "device/carriage", state="idle", homed=True)
        await client.do("move", carriage_um=1000.0)
