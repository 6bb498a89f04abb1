"""The G-code drivers on a board that behaves on the wire as the real 1.1 series does, over both kinds of line."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.devices import DeviceError, DeviceMismatch, HomeFailed, LinkError, Surprise, matching
from benchd_drivers.gcode_axis import GcodeAxis
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_light import GcodeLight
from benchd_drivers.link.port import SerialLink
from tests.drivers.stage import stage_config

if TYPE_CHECKING:
    from tests.drivers.conftest import SimulatedBench

pytestmark = pytest.mark.stack

both_lines = pytest.mark.parametrize("native", [False, True], ids=["paced", "native"])


class Bench:
    """Axis and light on one board, each open or not."""

    def __init__(self, bench: SimulatedBench, settings: GcodeAxisConfig, **lamp: Any) -> None:
        self.bench = bench
        self.link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
        self.axis = GcodeAxis.create("stage", settings, self.link)
        self.lamp = GcodeLight.create("lamp", GcodeLight.Config(**lamp), self.link)
        self.surprises: list[Surprise] = []

    async def says(self, text: str) -> None:
        """A line behind the drivers' backs, as another program sent it."""
        await self.link.query(text.encode() + b"\n", lambda received: slice(0, 0), 1.0)
        await asyncio.sleep(0.1)

    async def power(self) -> float:
        """The output's S value, as the board tells it."""
        told = await self.link.query(b"?", matching(rb"<[^>]*>"), 1.0)
        return float(told.split(b"FS:")[1].split(b",")[1].split(b"|")[0].rstrip(b">"))

    async def at(self) -> float:
        return (await self.axis.read()).value

    async def rested(self) -> float:
        first = await self.at()
        await asyncio.sleep(0.2)
        assert await self.at() == pytest.approx(first, abs=0.5)
        return first


@asynccontextmanager
async def linked(bench: SimulatedBench, *, full: int | None = None, **changes: Any) -> AsyncIterator[Bench]:
    """The link open, the devices not."""
    found = Bench(bench, stage_config(**changes), full=full)
    await found.link.open()
    try:
        yield found
    finally:
        await found.lamp.close()
        await found.axis.close()
        await found.link.close()


@asynccontextmanager
async def bench_on(bench: SimulatedBench, **changes: Any) -> AsyncIterator[Bench]:
    async with linked(bench, **changes) as found, opened(found):
        yield found


@asynccontextmanager
async def opened(found: Bench) -> AsyncIterator[None]:
    await found.axis.open()
    await found.lamp.open()

    async def follow() -> None:
        async for surprise in found.axis.surprises():
            found.surprises.append(surprise)

    following = asyncio.create_task(follow())
    await asyncio.sleep(0)
    try:
        yield
    finally:
        await found.axis.close()
        await asyncio.wait_for(following, 20.0)


@pytest_asyncio.fixture
async def homed(bench: SimulatedBench) -> AsyncIterator[Bench]:
    async with bench_on(bench) as found:
        await found.axis.home()
        yield found


async def set_up(bench: SimulatedBench, *lines: str) -> None:
    """Settings of the board, written before any driver comes."""
    link = SerialLink.create("board", SerialLink.Config(port=str(bench.folder / "board")))
    await link.open()
    for text in lines:
        await link.query(text.encode() + b"\n", matching(rb"ok"), 1.0)
    await link.close()


# ---- stop first, then ask


@both_lines
@pytest.mark.parametrize("identity", ["7A01", "9C44"])
async def test_carriage_found_moving_is_stopped_before_its_board_is_asked_who_it_is(
    bench: SimulatedBench, native: bool, identity: str
) -> None:
    """'Another controller, nothing moved' was said while it ran on for 20 mm."""
    await bench.fault("board", "native", value=native)
    async with bench_on(bench) as before:
        await before.axis.home()
        await before.says("G53 G90 G1 Z-30 F240")
        await before.link.close()
    async with linked(bench, identity=identity) as found:
        if identity == "7A01":
            assert (await found.axis.open()).serial == "7A01"
        else:
            with pytest.raises(DeviceMismatch, match="'7A01'"):
                await found.axis.open()
            await found.lamp.open()  # which makes contact again, to look at the board
        told = await found.link.query(b"?", matching(rb"<[^>]*>"), 1.0)
        await asyncio.sleep(0.2)
        again = await found.link.query(b"?", matching(rb"<[^>]*>"), 1.0)
        assert told.split(b"|")[:2] == again.split(b"|")[:2]
        assert float(told.split(b"MPos:")[1].split(b"|")[0].split(b",")[2]) > -29


# ---- the machine's space


@pytest.mark.parametrize(
    ("changes", "advice"),
    [
        ({"positive": "deeper", "zero_at": 0.0}, r"`travel_um: \[-31000, -1000\]`.*`positive: shallower`"),
        ({"zero_at": 0.0}, r"`travel_um: \[1000, 31000\]`"),
        ({"travel_um": (-500, 29000)}, r"`travel_um: \[0, 29500\]`"),
    ],
)
async def test_travel_that_leads_into_the_switch_is_refused_with_what_to_write(
    bench: SimulatedBench, changes: dict[str, Any], advice: str
) -> None:
    """The way 'into the limits' after homing went into the switch, at speed."""
    async with linked(bench, **changes) as found:
        with pytest.raises(DeviceMismatch, match="leads into that switch") as refused:
            await found.axis.open()
        assert re.search(advice, refused.value.advice), refused.value.advice


async def test_machine_with_its_origin_at_the_switch_is_taken_as_it_is(bench: SimulatedBench) -> None:
    await bench.fault("board", "origin_at_switch")
    await set_up(bench, "$3=0", "$23=4")
    async with bench_on(bench, positive="deeper", zero_at=0.0) as found:
        await found.axis.home()
        assert await found.at() == pytest.approx(0, abs=1)
        await found.axis.move_to(20000, 4000)


# ---- what was refused never happens


@both_lines
async def test_light_that_was_given_up_while_it_homed_is_not_lit_later(bench: SimulatedBench, native: bool) -> None:
    """A level that a person was told had failed waited in the board: dark, and after homing at 0.8."""
    await bench.fault("board", "native", value=native)
    async with bench_on(bench) as found:
        await found.axis.home()
        await found.axis.move_to(20000, 4000)
        homing = asyncio.create_task(found.axis.home())
        await asyncio.sleep(0.1)
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.2):
                await found.lamp.set_level(0.8)
        assert await found.lamp.level() == 0.0
        await homing
        await asyncio.sleep(0.3)
        assert await found.power() == 0.0
        await found.axis.move_to(1000, 4000)
        assert await found.power() == 0.0


async def test_light_that_was_given_up_in_a_move_is_not_lit_later(homed: Bench) -> None:
    await homed.lamp.set_level(0.2)
    move = asyncio.create_task(homed.axis.move_to(20000, 4000))
    await asyncio.sleep(0.1)
    with pytest.raises(TimeoutError):
        async with asyncio.timeout(0.2):
            await homed.lamp.set_level(0.8)
    await move
    await asyncio.sleep(0.3)
    assert await homed.power() == 200.0


async def test_light_asked_for_while_it_homes_is_set_when_it_is_done(homed: Bench) -> None:
    await homed.axis.move_to(10000, 4000)
    homing = asyncio.create_task(homed.axis.home())
    await asyncio.sleep(0.1)
    await homed.lamp.set_level(0.8)
    assert homing.done()
    assert await homed.power() == 800.0
    await homing


# ---- as it is set


@pytest.mark.parametrize(
    ("lines", "lamp", "power"),
    [
        (("$30=255",), {}, 128.0),
        (("$30=12000", "$31=2000"), {}, 7000.0),
        (("$30=12000",), {"full": 1000}, 500.0),
    ],
)
async def test_level_is_of_the_board_s_own_range(
    bench: SimulatedBench, lines: tuple[str, ...], lamp: dict[str, Any], power: float
) -> None:
    """Where $30 was 255 every level above a quarter was full light, and nothing said so."""
    await set_up(bench, *lines)
    await bench.unlock()
    async with linked(bench, **lamp) as found:
        await found.lamp.open()
        await found.lamp.set_level(0.5)
        assert await found.power() == power
        assert await found.lamp.level() == pytest.approx(0.5, abs=0.003)
        assert (await bench.truth())["now"]["lamp_level"] == pytest.approx(0.5 if not lamp else 500 / 12000, abs=0.003)
        await found.lamp.set_level(0.0)
        assert await found.power() == 0.0


@pytest.mark.parametrize(
    ("setting", "lamp", "words"),
    [
        ("$32=1", {}, r"laser mode \(\$32=1\)"),
        ("$30=255", {"full": 1000}, r"S255 \(\$30\)"),
        ("$31=1000", {}, r"S1000 \(\$31\)"),
    ],
)
async def test_output_that_cannot_be_as_stated_is_refused(
    bench: SimulatedBench, setting: str, lamp: dict[str, Any], words: str
) -> None:
    await set_up(bench, setting)
    async with linked(bench, **lamp) as found:
        with pytest.raises(DeviceMismatch, match=words) as refused:
            await found.lamp.open()
        assert "Write" in refused.value.advice or "Leave" in refused.value.advice


async def test_build_without_pwm_is_on_or_off(bench: SimulatedBench) -> None:
    await bench.fault("board", "pwm", value=False)
    await bench.unlock()
    async with linked(bench) as found:
        await found.lamp.open()
        with pytest.raises(DeviceError, match="dims nothing"):
            await found.lamp.set_level(0.4)
        await found.lamp.set_level(1.0)
        assert await found.lamp.level() == 1.0
        assert (await bench.truth())["now"]["lamp_level"] == 1.0


@pytest.mark.parametrize(
    ("setting", "words", "write"),
    [
        ("$122=3", r"3000 µm/s² \(\$122=3\)", "acceleration_um_s2: 3000"),
        ("$112=60", r"1000 µm/s at most \(\$112=60", "top_speed_um_s: 1000"),
        ("$102=200", r"steps are 5 µm", "resolution_um: 5"),
        ("$132=20", r"\$132=20\) are at -1000 and 19000 µm", "inside of them"),
        ("$20=0 $132=20", r"homing searches 30000 µm .*\$132=20.*31000 µm away", "$132=31"),
        ("$22=0", r"homing is switched off in the controller \(\$22=0\)", "$22=1"),
    ],
)
async def test_board_set_otherwise_than_the_bench_file_is_refused(
    bench: SimulatedBench, setting: str, words: str, write: str
) -> None:
    """With a slower ramp than stated each stop became a reset in motion, and the place was lost."""
    await set_up(bench, *setting.split())
    async with linked(bench) as found:
        with pytest.raises(DeviceMismatch, match=words) as refused:
            await found.axis.open()
        assert write in refused.value.advice


async def test_board_that_reports_inches_is_understood(bench: SimulatedBench) -> None:
    """Millimetres were read as inches, in good quality."""
    await set_up(bench, "$13=1")
    async with bench_on(bench) as found:
        await found.axis.home()
        await found.axis.move_to(12700, 4000)
        assert await found.at() == pytest.approx(12700, abs=3)


# ---- stops, homing, and the light


@both_lines
async def test_stop_at_rest_holds_nothing_and_keeps_the_light(bench: SimulatedBench, native: bool) -> None:
    """53 of 60 stops at rest left the board held: the next move waited, or the light stayed dark."""
    await bench.fault("board", "native", value=native)
    async with bench_on(bench) as found:
        await found.axis.home()
        await found.lamp.set_level(0.4)
        for turn in range(15):
            await found.axis.stop()
            assert await found.lamp.level() == pytest.approx(0.4, abs=0.001), turn
            assert (await found.axis.health()).state == "ok"
            await found.axis.jog(2000, 100)
            await found.axis.stop()
            await found.axis.move_to(500 + 10 * turn, 4000)
            assert await found.power() == 400, turn
        assert (await found.lamp.health()).state == "ok"
        assert found.surprises == []


async def test_light_is_back_after_homing_and_dark_stays_dark(homed: Bench) -> None:
    """Homing left the light dark, and the next move lit it, unasked."""
    await homed.lamp.set_level(0.5)
    await homed.axis.home()
    assert await homed.power() == 500.0
    assert (await homed.lamp.health()).state == "ok"
    await homed.lamp.set_level(0.0)
    await homed.axis.home()
    await homed.axis.move_to(2000, 4000)
    assert await homed.power() == 0.0


async def test_light_that_went_dark_says_why_until_it_is_set(homed: Bench) -> None:
    await homed.lamp.set_level(0.5)
    await homed.bench.fault("board", "open_door")
    await asyncio.sleep(0.1)
    await homed.at()
    await homed.bench.fault("board", "shut_door")
    await homed.axis.move_to(2000, 4000)
    health = await homed.lamp.health()
    assert (health.state, health.code) == ("degraded", "dark")
    assert "safety door" in health.text
    assert await homed.power() == 0.0
    await homed.lamp.set_level(0.3)
    assert (await homed.lamp.health()).state == "ok"


# ---- coming back


@both_lines
async def test_replugged_board_that_sent_no_banner_is_the_same(bench: SimulatedBench, native: bool) -> None:
    """Its name was only in the banner, so that it was 'another device' for ever."""
    await bench.fault("board", "native", value=native)
    async with linked(bench) as found:
        first = await found.axis.open()
        assert first.model
        for _ in range(2):
            await bench.fault("board", "unplug")
            await asyncio.sleep(0.1)
            await bench.fault("board", "plug")
            await found.axis.close()
            await found.link.close()
            await found.link.open()
            assert await found.axis.open() == first


async def test_sleeping_board_is_told_and_homing_wakes_it(homed: Bench) -> None:
    await homed.says("$SLP")
    await homed.at()
    assert not homed.axis.homed
    assert "sleeps" in (await homed.lamp.health()).text
    await homed.axis.home()
    assert homed.axis.homed
    await homed.axis.move_to(2000, 4000)


async def test_board_found_asleep_is_woken(bench: SimulatedBench) -> None:
    await set_up(bench, "$SLP")
    async with bench_on(bench) as found:
        await found.axis.home()
        assert found.axis.homed


@both_lines
async def test_failed_homing_keeps_its_cause(bench: SimulatedBench, native: bool) -> None:
    """'The controller was reset without being told to' stood where the switch had failed."""
    await bench.fault("board", "native", value=native)
    async with bench_on(bench) as found:
        await bench.fault("world", "switch_never")
        with pytest.raises(HomeFailed, match="not found"):
            await found.axis.home()
        await asyncio.sleep(0.8)  # the banner of its restart
        assert found.surprises == []
        assert "switch was not found" in (await found.axis.health()).text


async def test_homing_is_no_silence_of_the_cable(homed: Bench) -> None:
    """Each homing said 'check power and cable' every 0.9 s."""
    await homed.axis.move_to(20000, 4000)
    homing = asyncio.create_task(homed.axis.home())
    await asyncio.sleep(0.1)
    asked = 0
    while not homing.done():
        asked += (await homed.axis.read()).quality == "suspect"
        await homed.lamp.level()
        await asyncio.sleep(0.02)
    await homing
    assert asked > 10


async def test_board_that_a_limit_has_made_deaf_is_no_silence_of_the_cable(homed: Bench) -> None:
    await homed.axis.move_to(2000, 4000)
    await homed.says("G53 G90 G1 Z5 F240")  # beyond its own soft limits
    for _ in range(3):
        assert (await homed.axis.read()).quality == "suspect"
        assert await homed.lamp.level() == 0.0
    health = await homed.axis.health()
    assert health.code == "limit"
    assert "inspection" in health.text
    await homed.axis.home()
    assert homed.axis.homed


async def test_door_in_a_jog_leaves_nothing_busy(homed: Bench) -> None:
    """The axis stayed 'busy (jog)' after the door was shut again."""
    await homed.axis.jog(500, 5000)
    await asyncio.sleep(0.1)
    await homed.bench.fault("board", "open_door")
    await asyncio.sleep(0.2)
    await homed.at()
    await homed.bench.fault("board", "shut_door")
    await homed.axis.move_to(2000, 4000)
    assert await homed.at() == pytest.approx(2000, abs=1)


# ---- in words


async def test_board_that_only_lights_needs_no_homing(bench: SimulatedBench) -> None:
    await set_up(bench, "$22=0")
    await bench.unlock()
    async with linked(bench) as found:
        await found.lamp.open()
        await found.lamp.set_level(0.5)
        assert await found.power() == 500.0


async def test_homing_that_was_switched_off_later_is_told_so(bench: SimulatedBench) -> None:
    async with bench_on(bench) as found:
        await found.says("$22=0")
        with pytest.raises(HomeFailed, match=r"\$22=0") as refused:
            await found.axis.home()
        assert "`$22=1`" in refused.value.advice


async def test_search_that_is_told_as_too_short_is_too_short(bench: SimulatedBench) -> None:
    """What is refused at opening: from the far end homing finds no switch."""
    async with bench_on(bench) as found:
        await found.axis.home()
        await found.axis.move_to(30000, 4000)
        await found.says("$20=0")
        await found.says("$132=20")
        with pytest.raises(HomeFailed, match="not found"):
            await found.axis.home()


async def test_check_mode_is_not_ok(homed: Bench) -> None:
    await homed.says("$C")
    await homed.at()
    health = await homed.axis.health()
    assert (health.state, health.code) == ("degraded", "check_mode")
    with pytest.raises(DeviceError, match="check mode"):
        await homed.axis.move_to(2000, 4000)
    await homed.axis.stop()
    await homed.axis.move_to(2000, 4000)


async def test_board_that_is_gone_is_still_a_matter_of_the_cable(homed: Bench) -> None:
    await homed.bench.fault("board", "silence", s=30)
    await asyncio.sleep(0.3)  # a report that was on its way when the board fell silent arrives
    with suppress(LinkError):
        await homed.axis.read()
    with pytest.raises(LinkError) as caught:
        await homed.axis.read()
    assert "cable" in caught.value.advice
    await homed.bench.fault("board", "clear")


async def test_light_that_waits_for_homing_is_dropped_by_a_stop(homed: Bench) -> None:
    await homed.axis.move_to(20000, 4000)
    homing = asyncio.create_task(homed.axis.home())
    await asyncio.sleep(0.1)
    lighting = asyncio.create_task(homed.lamp.set_level(0.8))
    await asyncio.sleep(0.1)
    await homed.axis.stop()
    with pytest.raises(HomeFailed):
        await homing
    with pytest.raises(DeviceError, match="a stop came first") as dropped:
        await lighting
    assert dropped.value.code == "busy"
    await homed.axis.home()
    assert await homed.power() == 0.0
