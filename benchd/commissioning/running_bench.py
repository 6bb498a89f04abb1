"""A bench that is running, asked over MQTT: it alone has the ports."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from benchd.client import BenchClient
from benchd.commissioning.diagnosis import Found
from benchd.errors import BenchdError
from benchd.quantities import utc_seconds

HEARD_S, BEAT_S = 3.0, 4.0
APART_S = 2.0
"""Clocks of two machines further apart than a message takes."""
HOME = "`benchd do home` homes it: see that the way to the switch is free, and keep hands out."


async def running(bench: BenchClient) -> list[Found]:
    """Its beat, its devices as it knows them, and its clock. Raises BenchdError where it does not answer."""
    online = await bench.kept("online", within_s=HEARD_S)
    if online is not True:
        text = f"The bench {bench.bench} is off line: its daemon has ended or died."
        return [Found("daemon", "wrong", text, "Start it with `benchd up BENCH`; what it prints says why it ended.")]
    about = await bench.kept("about", within_s=HEARD_S)
    found = [Found("daemon", "ok", f"The bench {bench.bench} runs, benchd {about.get('version')}; its broker answers.")]
    found += await _beating(bench)
    for name, device in about.get("devices", {}).items():
        found += await _device(bench, name, device)
    return [*found, *await _clock(bench, about)]


async def _beating(bench: BenchClient) -> list[Found]:
    import asyncio

    beats: set[str] = set()
    try:
        async with asyncio.timeout(BEAT_S):
            async for _, doc in bench.watch("beat"):
                beats.add(str((doc or {}).get("beat")))
                if len(beats) > 1:
                    return []
    except TimeoutError:
        pass
    text = f"It has sent no new beat within {BEAT_S:g} s: its motion loop hangs, and nothing may be moved."
    return [Found("daemon", "wrong", text, "Use the emergency stop if anything moves, then start it again.")]


async def _device(bench: BenchClient, name: str, about: Mapping[str, Any]) -> list[Found]:
    if about.get("kind") == "operator":
        return []
    who = " ".join(str(about[key]) for key in ("driver", "model", "firmware") if about.get(key))
    try:
        doc = await bench.kept(f"device/{name}", within_s=HEARD_S)
    except BenchdError:
        return [Found(name, "wrong", f"The bench says nothing of it ({who}).", "`benchd status` shows what it says.")]
    state, text = doc.get("state"), str(doc.get("text") or "")
    if state == "offline":
        lost = "See that it is plugged in and switched on: the bench looks for it, and says when it is back."
        found = Found(name, "wrong", text or "It is lost.", lost)
    elif state == "fault":
        advice = "`benchd watch` shows what it says; switch it off and on."
        found = Found(name, "wrong", text or "It has a fault.", advice)
    elif name == "carriage" and not doc.get("homed"):
        found = Found(name, "note", f"It answers as {who}, and is not homed: {doc.get('why')}.", HOME)
    elif state == "degraded":
        found = Found(name, "note", text or "It works with a reservation.")
    else:
        found = Found(name, "ok", f"It answers as {who}.")
    return [found]


async def _clock(bench: BenchClient, about: Mapping[str, Any]) -> list[Found]:
    """The bench's clock against that of this machine, by the time of a reading taken now."""
    name = next((one for one, device in about.get("devices", {}).items() if device.get("kind") in _READABLE), None)
    if name is None:
        return []
    try:
        before = _now_s()
        told_s = utc_seconds(str((await bench.command("read", beat=False, device=name))["t"]))
        after = _now_s()
    except BenchdError as error:
        return [Found("clock of the bench", "skipped", f"No reading could be had to see its time: {error.text}")]
    off_s = told_s - min(max(told_s, before), after)
    if abs(off_s) <= APART_S:
        return [Found("clock of the bench", "ok", "The bench's clock and that of this machine agree.")]
    side = "ahead of" if off_s > 0 else "behind"
    text = f"The bench's clock is {abs(off_s):.0f} s {side} that of this machine."
    return [
        Found(
            "clock of the bench",
            "wrong",
            text,
            "`timedatectl` on both says which is right; findings are dated by the bench's.",
        )
    ]


_READABLE = ("axis", "encoder", "gauge", "meter")


def _now_s() -> float:
    return datetime.now(UTC).timestamp()
