"""A G-code controller that does not do, or not answer, what it is told, down at the bytes of its port."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from benchd.devices import DeviceError
from benchd_drivers.gcode_axis import GcodeAxis
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_level import STILL_S
from benchd_drivers.gcode_light import GcodeLight
from benchd_drivers.link.port import SerialLink


class Port:
    """A controller that stands still, on a pty: the lines it was told, and those it leaves unanswered or undone."""

    def __init__(self) -> None:
        self.told: list[str] = []
        self.unanswered: dict[str, int] = {}
        self.undone: set[str] = set()
        self.locked = False
        self.power = 0
        self.state = "Idle"
        self._ours, self._theirs = os.openpty()
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.path = Path(os.ttyname(self._theirs))
        self._line = b""
        asyncio.get_running_loop().add_reader(self._ours, self._readable)

    def close(self) -> None:
        asyncio.get_running_loop().remove_reader(self._ours)
        os.close(self._ours)
        os.close(self._theirs)

    def _say(self, *lines: str) -> None:
        os.write(self._ours, "".join(f"{line}\r\n" for line in lines).encode())

    def _readable(self) -> None:
        for byte in os.read(self._ours, 4096):
            if byte == 0x18:
                self.power, self._line = 0, b""
                self._say("", "RSim 1.1 ['$' for help]")
            elif byte == ord("?"):
                self._say(f"<{self.state}|MPos:0.000,0.000,-1.000|FS:0,{self.power}>")
            elif byte == ord("\n"):
                line, self._line = self._line.decode(), b""
                self._hear(line)
            elif byte < 0x80 and byte != ord("!"):
                self._line += bytes([byte])

    def _hear(self, line: str) -> None:
        self.told.append(line)
        if self.unanswered.get(line, 0) > 0:
            self.unanswered[line] -= 1
            return
        if line == "$I":
            self._say("[VER:1.1.20310405:7A01]", "[OPT:V,15,128]")
        elif line == "$$":
            self._say("$30=1000", "$31=0", "$110=240", "$111=240", "$112=240", "$122=3")
        elif self.locked:
            self._say("error:9")
            return
        elif line not in self.undone and line[0] == "M":
            self.power = int(line.split("S")[1]) if "S" in line else 0
        self._say("ok")


@asynccontextmanager
async def port_and_link() -> AsyncIterator[tuple[Port, SerialLink]]:
    port = Port()
    link = SerialLink.create("board", SerialLink.Config(port=str(port.path)))
    await link.open()
    try:
        yield port, link
    finally:
        await link.close()
        port.close()


@asynccontextmanager
async def lit() -> AsyncIterator[tuple[Port, GcodeLight]]:
    async with port_and_link() as (port, link):
        lamp = GcodeLight.create("lamp", GcodeLight.Config(), link)
        await lamp.open()
        await lamp.set_level(0.8)
        port.told.clear()
        try:
            yield port, lamp
        finally:
            port.state = "Idle"
            await lamp.close()


async def begins_to_move(port: Port) -> None:
    """By a hand at the controller; it told of standing still so long ago that it is asked again."""
    port.state = "Run"
    await asyncio.sleep(STILL_S)


async def until_dark(lamp: GcodeLight) -> None:
    async with asyncio.timeout(5.0):
        while await lamp.level() or (await lamp.health()).state != "ok":  # noqa: ASYNC110 # looked at from outside
            await asyncio.sleep(0.02)


async def test_a_light_that_does_not_go_dark_is_never_lit_anew() -> None:
    """Where a controller ignored M5 the answer to 'dark' was M5, M5, and then M3 S800."""
    async with lit() as (port, lamp):
        port.undone.add("M5")
        with pytest.raises(DeviceError, match="the output is at 800"):
            await lamp.set_level(0.0)
        assert len(port.told) >= 3
        assert set(port.told) == {"M5"}
        health = await lamp.health()
        assert (health.state, health.code) == ("degraded", "unknown")
        assert "whether it is dark is not known" in health.text
        await lamp.after_homing()
        assert set(port.told) == {"M5"}
        port.undone.clear()
        await lamp.set_level(0.0)
        assert port.power == 0
        assert (await lamp.health()).state == "ok"


async def test_a_light_on_a_locked_controller_can_be_put_out() -> None:
    """'It sets no light before it is homed' was said of going dark, and where it was lit it stayed lit."""
    async with lit() as (port, lamp):
        port.state, port.locked = "Alarm", True
        await lamp.set_level(0.0)
        assert port.power == 0
        assert (await lamp.health()).state == "ok"
        with pytest.raises(DeviceError, match="locked until it is homed"):
            await lamp.set_level(0.4)


async def test_a_light_that_was_not_dimmed_goes_dark_and_not_back() -> None:
    async with lit() as (port, lamp):
        port.undone.add("M3 S200")
        with pytest.raises(DeviceError, match="was set to M3 S200"):
            await lamp.set_level(0.2)
        assert "M3 S800" not in port.told
        assert port.power == 0
        assert (await lamp.health()).code == "dark"


async def test_a_light_is_refused_in_a_motion_that_lasts_and_not_lit_after_it() -> None:
    """'No answer (timeout)' was said after 10 s, and after a slow homing it was at 0.8."""
    async with lit() as (port, lamp):
        await begins_to_move(port)
        async with asyncio.timeout(120.0):  # who asks waits no longer (`BenchClient`)
            with pytest.raises(DeviceError, match="will not be: the carriage has been in motion") as refused:
                await lamp.set_level(0.9)
        assert refused.value.code == "busy"
        assert refused.value.advice
        port.state = "Idle"
        await asyncio.sleep(0.3)
        assert port.told == []
        assert await lamp.level() == 0.8


async def test_going_dark_in_a_motion_is_accepted_and_comes_before_what_waits() -> None:
    async with lit() as (port, lamp):
        await begins_to_move(port)
        brighter = asyncio.create_task(lamp.set_level(0.9))
        await asyncio.sleep(0.1)
        await lamp.set_level(0.0)
        with pytest.raises(DeviceError, match="to go dark meanwhile"):
            await brighter
        assert port.told == []
        health = await lamp.health()
        assert "goes dark as soon as the carriage stands" in health.text
        port.state = "Idle"
        await until_dark(lamp)
        assert port.told == ["M5"]
        await lamp.set_level(0.9)
        await asyncio.sleep(0.2)
        assert port.power == 900


async def test_what_was_promised_to_go_dark_is_tried_until_it_is() -> None:
    async with lit() as (port, lamp):
        await begins_to_move(port)
        await lamp.set_level(0.0)
        port.undone.add("M5")
        port.state = "Idle"
        async with asyncio.timeout(5.0):
            while len(port.told) < 4:  # noqa: ASYNC110
                await asyncio.sleep(0.02)
        port.undone.clear()
        await until_dark(lamp)
        assert set(port.told) == {"M5"}


def axis(link: SerialLink) -> GcodeAxis:
    config = GcodeAxisConfig(
        letter="Z", travel_um=(-30000, -1000), top_speed_um_s=4000, acceleration_um_s2=20000, home_search_um=32000
    )
    return GcodeAxis.create("stage", config, link)


async def test_settings_that_were_not_answered_are_asked_for_once_more() -> None:
    """One lost '$$' and a controller that is set otherwise was taken as it is."""
    async with port_and_link() as (port, link):
        port.unanswered["$$"] = 1
        with pytest.raises(DeviceError, match=r"\$122=3"):
            await axis(link).open()
        assert port.told.count("$$") == 2


@pytest.mark.parametrize(("question", "what"), [("$$", "how it is set"), ("$I", "who it is")])
async def test_controller_that_tells_nothing_of_itself_is_refused(question: str, what: str) -> None:
    async with port_and_link() as (port, link):
        port.unanswered[question] = 1000
        with pytest.raises(DeviceError, match=f"does not tell {what}") as refused:
            await axis(link).open()
        assert "baud rate" in refused.value.advice
        assert port.told.count(question) == 3
