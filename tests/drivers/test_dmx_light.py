"""The DMX light beyond its contract, with a simulated dimmer on a pseudo-terminal at the far end.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator, Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio
from pydantic import ValidationError

from benchd.devices import DeviceError, LinkError, line
from benchd.testing.conformance import LightContract
from benchd.testing.leaks import no_leaks
from benchd.testing.rig import Rig
from benchd_drivers.dmx_light import DmxLight, DmxLightConfig
from benchd_drivers.dmx_link import DmxLink, DmxPort
from benchd_simulators.firmware.dmx import LOST_AFTER_S
from tests.drivers.dimmer import LIGHT, Line, dmx_line, lit

__all__ = ["no_leaks"]


@pytest_asyncio.fixture
async def far_end(tmp_path: Path) -> AsyncIterator[Line]:
    async with dmx_line(tmp_path) as found:
        yield found


async def until(true: Callable[[], bool], within_s: float = 2.0) -> None:
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s, "not in time"
        await asyncio.sleep(0.005)


class TestDmxLight(LightContract):
    @pytest_asyncio.fixture
    async def rig(self, far_end: Line) -> AsyncIterator[Rig]:
        async with lit(far_end) as light:
            yield Rig(light, light._link, far_end)
        assert far_end.dimmer.level == 0.0


async def test_coarse_and_fine_make_one_level(far_end: Line) -> None:
    async with lit(far_end) as light:
        await light.set_level(0.3)
        await until(lambda: far_end.dimmer.level == round(0.3 * 65535) / 65535)
        assert light.spec.steps == 65535
        await light.set_level(1e-9)
        await until(lambda: far_end.dimmer.level == 1 / 65535)


async def test_several_slots_take_one_level_and_others_stand(far_end: Line) -> None:
    far_end.dimmer.address = 4
    async with lit(far_end, slots=[1, 4], fine_slots=[], steady={5: 17, 9: 255}) as light:
        await light.set_level(1.0)
        await until(lambda: far_end.dimmer.level == (255 * 256 + 17) / 65535)
        assert light.spec.steps == 255
        await light.set_level(0.0)
        await until(lambda: far_end.dimmer.level == 17 / 65535)


async def test_lights_on_one_line_share_a_frame(far_end: Line) -> None:
    async with lit(far_end) as light:
        other = DmxLight.create("slit", DmxLight.Config(slots=[3]), light._link)
        await other.open()
        await asyncio.gather(light.set_level(0.5), other.set_level(1.0))
        await until(lambda: far_end.dimmer.level == pytest.approx(0.5, abs=1e-4))
        far_end.dimmer.address = 3
        await until(lambda: far_end.dimmer.level == pytest.approx(255 / 256, abs=1e-3))
        await light.close()
        far_end.dimmer.address = 1
        await until(lambda: far_end.dimmer.level == 0.0)
        far_end.dimmer.address = 3
        await until(lambda: far_end.dimmer.level > 0.9)
        await other.close()


async def test_a_level_is_faded_to_and_never_overshoots(far_end: Line) -> None:
    async with lit(far_end, fade_ms=200.0) as light:
        began_s = time.monotonic()
        await light.set_level(0.8)
        assert time.monotonic() - began_s >= 0.15
        await until(lambda: far_end.dimmer.level == pytest.approx(0.8, abs=1e-4))
        seen = [level for level in far_end.levels if level > 0.0]
        assert seen == sorted(seen)
        assert len(set(seen)) >= 4


async def test_dark_is_not_faded_to_and_voids_what_is_under_way(far_end: Line) -> None:
    async with lit(far_end, fade_ms=10_000.0) as light:
        fading = asyncio.create_task(light.set_level(1.0))
        waiting = asyncio.create_task(light.set_level(0.5))
        await until(lambda: far_end.dimmer.level > 0.0)
        began_s = time.monotonic()
        await light.set_level(0.0)
        assert time.monotonic() - began_s < 1.0
        for voided in (fading, waiting):
            with pytest.raises(DeviceError, match="go dark meanwhile"):
                await voided
        await until(lambda: far_end.dimmer.level == 0.0)
        await asyncio.sleep(0.1)
        assert far_end.dimmer.level == await light.level() == 0.0


async def test_a_fade_given_up_is_taken_back(far_end: Line) -> None:
    async with lit(far_end, fade_ms=10_000.0) as light:
        fading = asyncio.create_task(light.set_level(1.0))
        await until(lambda: far_end.dimmer.level > 0.0)
        fading.cancel()
        with suppress(asyncio.CancelledError):
            await fading
        await until(lambda: far_end.dimmer.level == 0.0)
        assert await light.level() == 0.0


async def test_closed_it_is_at_its_safe_level_and_that_was_sent(far_end: Line) -> None:
    async with lit(far_end, safe_level=0.25) as light:
        await until(lambda: far_end.dimmer.level == pytest.approx(0.25, abs=1e-4))
        await light.set_level(1.0)
        await light.close()
        await light._link.close()
        await until(lambda: far_end.dimmer.level == pytest.approx(0.25, abs=1e-4))
        heard = far_end.dimmer.heard
        await asyncio.sleep(0.2)
        assert far_end.dimmer.heard == heard, "nothing is sent any more"


@pytest.mark.parametrize(("on_loss", "then"), [("holds", 1.0), ("dark", 0.0)])
async def test_fault_18_frames_that_stop(far_end: Line, on_loss: str, then: float) -> None:
    """What a daemon that dies leaves behind is what the dimmer is set to do; nothing here can change it."""
    far_end.dimmer.on_loss = on_loss
    async with lit(far_end, on_loss=on_loss) as light:
        assert light.spec.has_failsafe is (on_loss == "dark")
        await light.set_level(1.0)
        await until(lambda: far_end.dimmer.level == 1.0)
        await light._link.close()  # its thread is gone, and no safe level was sent, as with a process that is killed
        await asyncio.sleep(LOST_AFTER_S + 0.2)
        assert far_end.dimmer.level == then


async def test_fault_19_unplugged_it_is_seen_without_being_asked_and_comes_back_safe(far_end: Line) -> None:
    async with lit(far_end) as light:
        await light.set_level(0.6)
        await far_end.unplug()
        await until(lambda: not light._link.connected, 0.5)
        health = await light.health()
        assert health.code == "link"
        assert "stays as it was" in health.text
        with pytest.raises(LinkError, match="is lost"):
            await light.set_level(0.1)
        await far_end.plug()
        await light._link.close()
        await light._link.open()
        await light.open()
        await until(lambda: far_end.dimmer.level == 0.0)
        assert await light.level() == 0.0
        await light.set_level(0.6)
        await until(lambda: far_end.dimmer.level == pytest.approx(0.6, abs=1e-4))


async def test_fault_32_a_line_has_one_sender(far_end: Line) -> None:
    async with lit(far_end):
        second = far_end.link()
        with pytest.raises(LinkError, match="in use by"):
            await second.open()
        await second.close()


async def test_fault_34_a_write_that_blocks_costs_the_line_and_not_the_loop(far_end: Line) -> None:
    async with lit(far_end) as light:
        await light.set_level(0.6)
        far_end.cable.wire.fault("stall", {})
        longest_s, last_s = 0.0, time.monotonic()
        while light._link.connected and time.monotonic() - last_s < 5.0:
            asked = asyncio.create_task(light.set_level(0.5))
            while not asked.done():
                now_s = time.monotonic()
                longest_s, last_s = max(longest_s, now_s - last_s), now_s
                await asyncio.sleep(0.005)
            asked.exception()
        assert "took no bytes for 0.5 s" in light._link.why_lost
        assert longest_s < 0.4
        far_end.cable.wire.fault("clear", {})
        await light._link.close()
        await light._link.open()
        await light.open()
        await until(lambda: far_end.dimmer.level == 0.0)


class FaultyPort(DmxPort):
    """Whatever a bug of ours may be, in the thread."""

    def unsent(self) -> int:
        raise RuntimeError("a bug")


class FaultyLink(DmxLink):
    def _open_port(self, where: str) -> Any:
        return FaultyPort(where)


async def test_a_sender_that_dies_is_told_with_its_reason(far_end: Line) -> None:
    link = FaultyLink("line", DmxLink.Config(port=far_end.port))
    await link.open()
    light = light_on(link)
    with pytest.raises(LinkError, match="is lost: a bug"):
        await light.open()
    assert (await light.health()).code == "link"
    await light.close()
    await link.close()


async def test_nobody_can_be_asked_on_it(far_end: Line) -> None:
    async with lit(far_end) as light:
        with pytest.raises(LinkError, match="Nobody is asked") as refused:
            await light._link.query(b"P?\n", line(), 1.0)
        assert "dmx_light" in refused.value.advice
        with pytest.raises(LinkError, match="Nobody is asked"):
            light._link.urgent(b"!")


def light_on(link: DmxLink, **keys: Any) -> DmxLight:
    return DmxLight.create("lamp", DmxLightConfig(**{**LIGHT, **keys}), link)


def test_slots_belong_to_one_light_and_to_the_frame() -> None:
    link = DmxLink.create("line", DmxLink.Config(port="x", slots=24))
    light_on(link)
    with pytest.raises(ValueError, match="slot 2 is of device lamp"):
        DmxLight.create("other", DmxLightConfig(slots=[2]), link)
    with pytest.raises(ValueError, match="slot 25: a frame on link line has slots 1 to 24"):
        DmxLight.create("far", DmxLightConfig(slots=[25]), link)
    with pytest.raises(ValueError, match="slot 7 is named twice"):
        DmxLight.create("twice", DmxLightConfig(slots=[7], steady={7: 1}), link)
    with pytest.raises(ValueError, match="needs a link of kind dmx"):
        DmxLight.create("bare", DmxLightConfig(slots=[8]), None)


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"slots": []}, "at least 1 item"),
        ({"slots": [0]}, "greater than or equal to 1"),
        ({"slots": [513]}, "less than or equal to 512"),
        ({"slots": [1, 3]}, "as many as slots"),
        ({"steady": {5: 256}}, "less than or equal to 255"),
        ({"steady": {0: 5}}, "greater than or equal to 1"),
        ({"fade_ms": -1}, "greater than or equal to 0"),
        ({"on_loss": "falls"}, "'holds' or 'dark'"),
        ({"safe_level": 1.1}, "less than or equal to 1"),
        ({"laser_class": "5"}, "should match pattern"),
        ({"address": 1}, "Extra inputs"),
    ],
)
def test_keys_that_cannot_be_are_refused(keys: dict[str, Any], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        DmxLightConfig(**{**LIGHT, **keys})
