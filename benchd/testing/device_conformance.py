"""What every device promises, whatever it is: to open and close, and to outlive a cut, silent or noisy line."""

from __future__ import annotations

import asyncio
import contextlib
import math
import time
from typing import Any, Generic, TypeVar, cast

import pytest

from benchd.devices import DRIVER_API, Device, DeviceError, Health, LinkError, Reading
from benchd.testing.lively import lively_loop
from benchd.testing.rig import Hands, Rig
from benchd.testing.watched import Watched

D = TypeVar("D", bound=Device)

ENDS_S = 2.0
"""So long the daemon gives a call that is not wanted any more before it is left behind; an axis says for itself."""


class DeviceContract(Generic[D]):
    """What every device promises. Subclasses name the cheapest question to their kind in `probe`."""

    async def probe(self, device: D) -> Any:
        """Ask the device something that changes nothing."""
        raise NotImplementedError

    def device(self, rig: Rig) -> D:
        """The device under test, as its kind; a call that hangs, raises what is foreign or answers amiss fails."""
        return cast(D, Watched(rig.device, rig.bars))

    def hands(self, rig: Rig, *needed: str) -> Hands:
        """The hands, or skip where they cannot do what the test needs."""
        if rig.hands is None:
            pytest.skip("nobody can pull this device's cable")
        if missing := rig.hands.missing(*needed):
            pytest.skip(f"these hands have no {', '.join(missing)}")
        return rig.hands

    async def ends(self, call: asyncio.Task[Any], what: str, within_s: float = ENDS_S) -> None:
        """Wait for a call that was cancelled or stopped; one that swallows its cancellation fails here."""
        await asyncio.wait({call}, timeout=within_s)
        if not call.done():
            asyncio._unregister_task(call)  # the end of the loop would wait for it, and nobody be told of this
            pytest.fail(f"{what} has not ended after {within_s:g} s: is its CancelledError swallowed?")

    async def test_it_says_which_interface_it_was_written_for(self, rig: Rig) -> None:
        assert rig.device.driver_api == DRIVER_API
        assert min(rig.device.answers_within_s, rig.device.opens_within_s) > 0.0

    async def test_health_says_something(self, rig: Rig) -> None:
        health = await self.device(rig).health()
        assert isinstance(health, Health)
        assert health.state == "ok" or health.text.endswith("."), "a reservation is a sentence"

    async def test_close_twice_then_open_again(self, rig: Rig) -> None:
        await self.device(rig).close()
        await self.device(rig).close()
        await self.device(rig).open()
        await self.probe(self.device(rig))

    async def test_many_callers_at_once(self, rig: Rig) -> None:
        async with lively_loop():
            answers = await asyncio.gather(*(self.probe(self.device(rig)) for _ in range(10)))
        assert len(answers) == 10

    @pytest.mark.parametrize("after_s", [0.0, 0.0005, 0.002, 0.005])
    async def test_cancelled_call_passes_through_and_leaves_the_device_usable(self, rig: Rig, after_s: float) -> None:
        for _ in range(5):
            task = asyncio.ensure_future(self.probe(self.device(rig)))
            await asyncio.sleep(after_s)
            was_done = task.done()
            task.cancel()
            await self.ends(task, "a cancelled question")
            assert task.cancelled() or was_done or task.exception() is None
        await self.probe(self.device(rig))

    async def test_unplugged_it_raises_nothing_foreign(self, rig: Rig) -> None:
        """What a driver raises beside the errors of `benchd.devices` is told as its fault."""
        hands = self.hands(rig, "unplug", "plug")
        await hands.unplug()
        with contextlib.suppress(DeviceError):
            await self.probe(self.device(rig))
        assert isinstance(await self.device(rig).health(), Health)
        await self.device(rig).close()
        assert isinstance(await self.device(rig).health(), Health)
        with pytest.raises(DeviceError):
            await self.device(rig).open()
        await self.device(rig).close()
        await hands.plug()
        await rig.reopen()
        await self.probe(self.device(rig))

    async def test_unplugged_fails_at_once_and_comes_back(self, rig: Rig) -> None:
        hands = self.hands(rig, "unplug", "plug")
        async with lively_loop():
            await hands.unplug()
            began = time.monotonic()
            with pytest.raises(LinkError):
                await self.probe(self.device(rig))
            assert time.monotonic() - began < 0.5 or rig.link is None
            assert (await self.device(rig).health()).state == "fault"
            await hands.plug()
            await rig.reopen()
        await self.probe(self.device(rig))

    async def test_silence_is_bounded_and_passes(self, rig: Rig) -> None:
        hands = self.hands(rig, "silence")
        async with lively_loop():
            await hands.silence(30.0)
            with pytest.raises(LinkError) as caught:
                async with asyncio.timeout(min(rig.patience_s, rig.device.answers_within_s)):
                    await self.probe(self.device(rig))
            assert caught.value.code == "timeout"
            await hands.silence(0.0)
        await self.settled(rig)

    async def test_garbage_is_no_answer(self, rig: Rig) -> None:
        hands = self.hands(rig, "garbage")
        async with lively_loop():
            await hands.garbage(1.0)
            ends = time.monotonic() + 1.0
            while time.monotonic() < ends:
                with contextlib.suppress(DeviceError):
                    self.believable(await self.probe(self.device(rig)))
            await hands.garbage(0.0)
        await self.settled(rig)

    def believable(self, answer: Any) -> None:
        """Fails where an answer that came through noise cannot be one."""

    async def settled(self, rig: Rig) -> None:
        """In step again within two seconds."""
        deadline = time.monotonic() + 2.0
        while True:
            try:
                await self.probe(self.device(rig))
                return
            except DeviceError:
                if time.monotonic() > deadline:
                    raise


def check_reading(reading: Reading, unit: str) -> None:
    """A finite value with its unit and both times, taken just now."""
    assert math.isfinite(reading.value)
    assert reading.unit == unit
    assert abs(time.monotonic() - reading.t_mono) < 5.0
    assert reading.t_utc.endswith("Z")
