"""The pointer on lights whose drivers are slow, deaf or late: dark is insisted on, and told where it cannot be had."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import NoReturn

import pytest

from benchd.bench import pointer
from benchd.bench.motion.holds import LAPSES_S
from benchd.bench.pointer import Pointer
from benchd.devices import DeviceError, Health, Identity, Light, LightSpec, Link
from benchd.errors import Refused


class Late(Light):
    """Takes its time for a level, and obeys it at the end of that whatever became of the call."""

    name = "dot"
    spec = LightSpec(least=0.01, steps=100, laser_class="2")

    def __init__(self, takes_s: float = 0.0) -> None:
        self.takes_s = takes_s
        self.deaf = False
        self.shines = 0.0
        self.seen: list[float] = []

    @classmethod
    def create(cls, name: str, config: object, link: Link | None) -> NoReturn:
        raise NotImplementedError

    async def open(self) -> Identity:
        self.shines = 0.0
        return Identity()

    async def close(self) -> None:
        self.shines = 0.0

    async def health(self) -> Health:
        return Health("ok")

    async def set_level(self, level: float) -> None:
        if self.deaf:
            raise DeviceError("dot does not answer.", device="dot")
        if level > 0.0 and self.takes_s:
            ends_s = asyncio.get_running_loop().time() + self.takes_s
            while (left_s := ends_s - asyncio.get_running_loop().time()) > 0.0:
                with suppress(asyncio.CancelledError):
                    await asyncio.sleep(left_s)
        self.shines = level
        self.seen.append(level)

    async def level(self) -> float:
        return self.shines


async def held_by(light: Late) -> Pointer:
    held = Pointer(light)
    await held.open()
    return held


async def test_a_level_that_comes_late_is_followed_by_dark() -> None:
    light = Late(0.05)
    held = await held_by(light)
    lighting = asyncio.create_task(held.hold_on(1.0, "a", 1, "rail"))
    await asyncio.sleep(0.01)
    await held.dark()
    assert (light.seen, light.shines) == ([0.0, 1.0, 0.0], 0.0)
    with pytest.raises(Refused, match="put out meanwhile"):
        await lighting
    await held.close()


async def test_slower_than_a_hold_it_is_not_lit() -> None:
    light = Late(LAPSES_S + 0.1)
    held = await held_by(light)
    with pytest.raises(Refused, match="put out meanwhile"):
        await held.hold_on(1.0, "a", 1, "rail")
    await asyncio.sleep(0.01)
    assert light.shines == 0.0
    await held.close()


async def test_dark_is_insisted_on_and_told_where_it_cannot_be_had(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pointer, "DARK_WITHIN_S", 0.05)
    monkeypatch.setattr(pointer, "RETRY_S", 0.01)
    light = Late()
    held = await held_by(light)
    await held.hold_on(1.0, "a", 1, "rail")
    light.deaf = True
    with pytest.raises(DeviceError, match="may still shine: dot does not answer") as why:
        async with held.kept_dark():
            pytest.fail("a picture would be exposed now")
    assert "by hand" in why.value.advice
    assert (await held.health()).code == "lit"
    with pytest.raises(DeviceError, match="may still shine"):
        await held.hold_on(1.0, "b", 1, "rail")
    light.deaf = False
    await asyncio.sleep(0.05)
    assert light.shines == 0.0
    assert (await held.health()).state == "ok"
    await held.hold_on(0.5, "c", 1, "rail")
    assert light.shines == 0.5
    await held.close()
    assert light.shines == 0.0


async def test_what_fails_to_be_lit_ends_the_hold() -> None:
    light = Late()
    held = await held_by(light)
    light.deaf = True
    with pytest.raises(DeviceError, match="does not answer"):
        await held.hold_on(1.0, "a", 1, "rail")
    light.deaf = False
    with pytest.raises(Refused, match="has ended"):
        await held.hold_on(1.0, "a", 2, "rail")
    await held.close()


async def test_a_caller_that_gives_up_leaves_it_dark() -> None:
    light = Late(0.05)
    held = await held_by(light)
    lighting = asyncio.create_task(held.hold_on(1.0, "a", 1, "rail"))
    await asyncio.sleep(0.01)
    lighting.cancel()
    await asyncio.wait({lighting})
    await held.dark()
    assert light.shines == 0.0
    await held.close()


@pytest.mark.parametrize("first", [lambda held: held.close(), lambda held: held.set_level(0.0)])
async def test_closed_or_put_out_nothing_is_left(first: Callable[[Pointer], object]) -> None:
    light = Late()
    held = await held_by(light)
    await held.hold_on(1.0, "a", 1, "rail")
    await first(held)  # type: ignore[misc]
    assert light.shines == 0.0
    with pytest.raises(Refused):
        await held.hold_on(1.0, "a", 2, "rail")
    await held.close()
    with pytest.raises(Refused, match="is not open"):
        await held.hold_on(1.0, "b", 1, "rail")
    assert not [task for task in asyncio.all_tasks() if task.get_name().endswith("dot") and not task.done()]
