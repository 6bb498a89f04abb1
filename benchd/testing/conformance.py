"""The contracts of `benchd.devices` as tests that any driver can be held against.

In a test module of your own, subclass the class of your kind of device and give it a fixture `rig`:

    class TestMyLamp(LightContract):
        @pytest_asyncio.fixture
        async def rig(self) -> AsyncIterator[Rig]:
            link = ...; await link.open()
            device = MyLamp.create("lamp", MyLamp.Config(...), link); await device.open()
            yield Rig(device, link, hands)
            await device.close(); await link.close()

Add `from benchd.testing.leaks import no_leaks` to the module, and what is left behind fails the test too.
"""

from __future__ import annotations

import asyncio
import math
import time
from typing import Any

import pytest

from benchd.devices import Ask, Camera, Encoder, Gauge, Light, Meter, Operator, Reading
from benchd.testing.device_conformance import DeviceContract, check_reading
from benchd.testing.rig import Rig


class EncoderContract(DeviceContract[Encoder]):
    """A position scale."""

    async def probe(self, device: Encoder) -> Reading:
        return await device.read()

    def believable(self, answer: Reading) -> None:
        check_reading(answer, "um")

    async def test_reads_um_at_rest_within_its_resolution(self, rig: Rig) -> None:
        readings = [await self.device(rig).read() for _ in range(10)]
        for reading in readings:
            check_reading(reading, "um")
        values = [reading.value for reading in readings]
        assert max(values) - min(values) <= max(4 * self.device(rig).spec.resolution_um, 0.5)
        times = [reading.t_mono for reading in readings]
        assert times == sorted(times)


class GaugeContract(DeviceContract[Gauge]):
    """A contact gauge."""

    async def probe(self, device: Gauge) -> Reading:
        return await device.read()

    def believable(self, answer: Reading) -> None:
        check_reading(answer, "um")

    async def test_reads_um_and_flags_what_is_outside_its_range(self, rig: Rig) -> None:
        reading, spec = await self.device(rig).read(), self.device(rig).spec
        check_reading(reading, "um")
        assert spec.low_um < spec.high_um
        assert (reading.quality == "bad") == (not spec.low_um <= reading.value <= spec.high_um)


class MeterContract(DeviceContract[Meter]):
    """Any scalar."""

    async def probe(self, device: Meter) -> Reading:
        return await device.read()

    def believable(self, answer: Reading) -> None:
        assert math.isfinite(answer.value)

    async def test_reads_in_its_unit(self, rig: Rig) -> None:
        check_reading(await self.device(rig).read(), self.device(rig).unit)
        assert self.device(rig).quantity


class LightContract(DeviceContract[Light]):
    """A dimmable light."""

    async def probe(self, device: Light) -> float:
        return await device.level()

    def believable(self, answer: float) -> None:
        assert 0.0 <= answer <= 1.0

    @pytest.mark.parametrize("level", [0.0, 0.25, 1.0])
    async def test_level_is_what_was_set(self, rig: Rig, level: float) -> None:
        await self.device(rig).set_level(level)
        assert abs(await self.device(rig).level() - level) <= 1 / self.device(rig).spec.steps

    @pytest.mark.parametrize("level", [-0.01, 1.01, math.nan, math.inf])
    async def test_level_outside_is_refused_and_changes_nothing(self, rig: Rig, level: float) -> None:
        await self.device(rig).set_level(0.5)
        with pytest.raises(ValueError, match="level"):
            await self.device(rig).set_level(level)
        assert abs(await self.device(rig).level() - 0.5) <= 1 / self.device(rig).spec.steps

    async def test_last_of_many_setters_counts(self, rig: Rig) -> None:
        await asyncio.gather(*(self.device(rig).set_level(n / 10) for n in range(1, 6)))
        await self.device(rig).set_level(0.8)
        assert abs(await self.device(rig).level() - 0.8) <= 1 / self.device(rig).spec.steps

    async def test_a_level_that_was_given_up_does_not_come_later(self, rig: Rig) -> None:
        for after_s in (0.0, 0.001, 0.01):
            setting = asyncio.ensure_future(self.device(rig).set_level(1.0))
            await asyncio.sleep(after_s)
            setting.cancel()
            await self.ends(setting, "a cancelled setting")
            await self.device(rig).set_level(0.0)
            await asyncio.sleep(0.1)
            assert await self.device(rig).level() == 0.0

    async def test_level_is_in_force_after_homing(self, rig: Rig) -> None:
        """Homing may darken a light on the same controller. Then it comes back; or stays dark and says why, and no
        later move lights it unasked."""
        axis, light = rig.beside, self.device(rig)
        if axis is None:
            pytest.skip("no axis moves beside this light")
        await light.set_level(0.5)
        await axis.home()
        after = await light.level()
        if abs(after - 0.5) > 1 / light.spec.steps:
            assert after == 0.0
            assert (await light.health()).state != "ok"
        await axis.move_to(axis.spec.low + 0.1 * (axis.spec.high - axis.spec.low), axis.spec.top_speed)
        assert abs(await light.level() - after) <= 1 / light.spec.steps


class CameraContract(DeviceContract[Camera]):
    """A camera."""

    async def probe(self, device: Camera) -> Any:
        return await device.grab()

    async def test_picture_was_taken_after_the_call(self, rig: Rig) -> None:
        last = -math.inf
        for _ in range(3):
            called = time.monotonic()
            frame = await self.device(rig).grab()
            assert called - 0.02 <= frame.t_mono <= time.monotonic()
            assert frame.t_mono > last
            assert frame.media_type in ("image/png", "image/jpeg", "image/tiff")
            assert len(frame.data) > 100
            last = frame.t_mono

    async def test_stream_gives_pictures_until_it_is_closed(self, rig: Rig) -> None:
        times = []
        stream = self.device(rig).stream()
        async for frame in stream:
            times.append(frame.t_mono)
            if len(times) == 3:
                break
        assert times == sorted(set(times))
        await self.device(rig).grab()

    async def test_configure_tells_what_is_set(self, rig: Rig) -> None:
        if not self.device(rig).spec.lockable:
            pytest.skip("takes no settings")
        really = await self.device(rig).configure(10.0, 1.0)
        assert math.isfinite(really.exposure_ms)
        assert really.exposure_ms > 0
        assert (await self.device(rig).grab()).exposure == really
        with pytest.raises(ValueError, match="exposure"):
            await self.device(rig).configure(math.nan, 1.0)


class OperatorContract(DeviceContract[Operator]):
    """The person. `rig.device` must be answered by the author's fixture with True to whatever is confirmed."""

    async def probe(self, device: Operator) -> Any:
        self.asked = getattr(self, "asked", 0) + 1
        return await device.ask(Ask(f"a-{self.asked}", "confirm", "Ready?"))

    async def test_answer_names_question_and_user(self, rig: Rig) -> None:
        answer = await self.device(rig).ask(Ask("a-x", "confirm", "Ready?"))
        assert answer.ask == "a-x"
        assert answer.value is True
        assert answer.user
