"""The pointer on lights whose drivers are slow, deaf or late: dark is insisted on, and told where it cannot be had."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress
from typing import NoReturn

import pytest
from structlog.testing import capture_logs

from benchd.bench import holds
from benchd.bench.holds import LAPSES_S
from benchd.bench.laser import pointer
from benchd.bench.laser.pointer import Pointer
from benchd.devices import DeviceError, Health, Identity, Light, LightSpec, Link
from benchd.errors import Refused


class Late(Light):
    """Takes its time for a level, and obeys it at the end of that whatever became of the call."""

    name = "dot"
    spec = LightSpec(least=0.01, steps=100, laser_class="2")

    def __init__(self, takes_s: float = 0.0) -> None:
        self.takes_s = takes_s
        self.dark_takes_s = 0.0
        self.deaf = False
        self.promises = False
        """It takes a level 0, and goes dark only once this is no more."""
        self.tells: Callable[[Late], tuple[float, Health]] = lambda light: (light.shines, Health("ok"))
        """Its level and its health."""
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
        return self.tells(self)[1]

    async def set_level(self, level: float) -> None:
        if self.deaf:
            raise DeviceError("dot does not answer.", device="dot")
        if level == 0.0 and self.promises:
            return
        if takes_s := self.takes_s if level > 0.0 else self.dark_takes_s:
            ends_s = asyncio.get_running_loop().time() + takes_s
            while (left_s := ends_s - asyncio.get_running_loop().time()) > 0.0:
                with suppress(asyncio.CancelledError):
                    await asyncio.sleep(left_s)
        self.shines = level
        self.seen.append(level)

    async def level(self) -> float:
        return self.tells(self)[0]


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


class InTurn(Late):
    """Obeys one call after the other."""

    def __init__(self, takes_s: float) -> None:
        super().__init__(takes_s)
        self._turn = asyncio.Lock()

    async def set_level(self, level: float) -> None:
        async with self._turn:
            await super().set_level(level)


@pytest.mark.parametrize("light", [InTurn(0.53), Late(0.53)])
async def test_of_the_levels_of_a_slider_none_but_the_one_on_its_way_comes_before_dark(light: Late) -> None:
    held = await held_by(light)
    moved = []
    for seq in range(1, 13):
        moved.append(asyncio.create_task(held.hold_on(seq / 20, "a", seq, "rail")))
        await asyncio.sleep(0.1)
    await held.let_go("a", 13, "rail")
    await asyncio.sleep(10.0)
    assert [level for level in light.seen if level] == [1 / 20, 6 / 20, 11 / 20], "the newest, one after the other"
    assert light.seen[-1] == light.shines == 0.0
    assert all(isinstance(came, Refused) for came in await asyncio.gather(*moved[9:], return_exceptions=True))
    await held.close()


async def test_an_earlier_level_that_takes_longer_does_not_come_after_dark() -> None:
    light = Late(0.2)
    held = await held_by(light)
    both = [asyncio.create_task(held.hold_on(0.2, "a", 1, "rail"))]
    await asyncio.sleep(0.01)
    light.takes_s = 0.01
    both.append(asyncio.create_task(held.hold_on(0.4, "a", 2, "rail")))
    await asyncio.sleep(0.05)
    await held.dark()
    await asyncio.sleep(1.0)
    assert light.shines == 0.0
    await asyncio.gather(*both, return_exceptions=True)
    await held.close()


async def test_the_level_that_is_wanted_last_is_lit() -> None:
    light = Late(0.1)
    held = await held_by(light)
    moved = []
    for seq, level in enumerate((0.2, 0.4, 0.6, 0.2), 1):
        moved.append(asyncio.create_task(held.hold_on(level, "a", seq, "rail")))
        await asyncio.sleep(0.03)
    assert await asyncio.gather(*moved) == [0.2] * 4
    assert light.shines == 0.2
    await held.close()


async def test_what_was_on_its_way_as_it_was_lost_does_not_light_it_once_it_is_opened_anew() -> None:
    light = Late(0.2)
    held = await held_by(light)
    lighting = asyncio.create_task(held.hold_on(1.0, "a", 1, "rail"))
    await asyncio.sleep(0.01)
    await held.open()
    await held.dark()
    await asyncio.sleep(1.0)
    assert light.shines == 0.0
    with pytest.raises(Refused, match="put out meanwhile"):
        await lighting
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


def by_its_level(light: Late) -> tuple[float, Health]:
    return light.shines, Health("ok")


def by_its_health(light: Late) -> tuple[float, Health]:
    """A controller that does not tell its output: its level is what it was sent last."""
    return 0.0, Health("degraded", "busy", "dot goes dark later.") if light.shines else Health("ok")


def by_its_fault(light: Late) -> tuple[float, Health]:
    return 0.0, Health("fault", "unknown", "whether dot is dark is not known.") if light.shines else Health("ok")


def by_silence(light: Late) -> tuple[float, Health]:
    if light.promises:
        raise DeviceError("dot does not answer.", device="dot")
    return light.shines, Health("ok")


@pytest.mark.parametrize("tells", [by_its_level, by_its_health, by_its_fault, by_silence])
async def test_that_a_driver_took_dark_is_not_dark(
    tells: Callable[[Late], tuple[float, Health]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where it was only promised, or nobody can tell, it may still shine: told so, insisted on, and nothing begins."""
    monkeypatch.setattr(pointer, "DARK_WITHIN_S", 0.05)
    monkeypatch.setattr(pointer, "RETRY_S", 0.01)
    light = Late()
    held = await held_by(light)
    await held.hold_on(1.0, "a", 1, "rail")
    light.tells, light.promises = tells, True
    with capture_logs() as logged, pytest.raises(DeviceError, match="may still shine") as why:
        await held.set_level(0.0)
    assert "by hand" in why.value.advice
    assert [(line["event"], line["device"]) for line in logged] == [("a laser could not be put out yet", "dot")]
    if tells is not by_silence:
        health = await held.health()
        assert health.state == "fault"
        assert "may still shine" in health.text
    with pytest.raises(DeviceError, match="may still shine"):
        await held.hold_on(1.0, "b", 1, "rail")
    with pytest.raises(DeviceError, match="may still shine"):
        async with held.kept_dark():
            pytest.fail("a picture would be exposed now")
    light.promises = False  # the next time that it is told so, it does
    await asyncio.sleep(0.05)
    assert light.shines == 0.0
    assert (await held.health()).state == "ok"
    await held.hold_on(0.5, "c", 1, "rail")
    await held.close()


async def test_found_lit_as_it_is_opened_it_is_put_out_before_anything(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pointer, "DARK_WITHIN_S", 0.05)
    monkeypatch.setattr(pointer, "RETRY_S", 0.01)
    light = Late()
    light.promises = True
    light.tells = lambda late: (1.0 if late.promises else late.shines, Health("ok"))
    held = await held_by(light)
    with pytest.raises(DeviceError, match="may still shine: it tells a level of 1"):
        await held.dark()
    light.promises = False
    await asyncio.sleep(0.05)
    await held.dark()
    assert (await held.health()).state == "ok"
    await held.close()


async def slow_to_go_dark(monkeypatch: pytest.MonkeyPatch, takes_s: float) -> tuple[Late, Pointer]:
    """A light on its way to be dark, after a hold; a hold lapses after 0.15 s."""
    monkeypatch.setattr(holds, "LAPSES_S", 0.15)
    light = Late()
    held = await held_by(light)
    await held.hold_on(1.0, "a", 1, "rail")
    light.dark_takes_s = takes_s
    held.put_out()
    return light, held


async def test_a_hold_that_begins_while_the_one_before_goes_dark_lapses_as_any(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody looked whether it lapsed for the three seconds that it might have waited for the dark."""
    light, held = await slow_to_go_dark(monkeypatch, 0.05)
    began_s = asyncio.get_running_loop().time()
    await held.hold_on(1.0, "b", 1, "rail")
    assert light.shines == 1.0
    light.dark_takes_s = 0.0
    while light.shines:  # noqa: ASYNC110 # a laser that is looked at
        await asyncio.sleep(0.001)
    assert 0.15 <= asyncio.get_running_loop().time() - began_s < 0.25, "from when it was heard"
    await held.close()


async def test_what_was_let_go_while_it_was_slow_to_go_dark_does_not_light_it_then(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whoever has let go meanwhile is heard only behind the message that waits; so that waits no longer than a hold."""
    light, held = await slow_to_go_dark(monkeypatch, 0.25)
    with pytest.raises(Refused, match="put out meanwhile") as why:
        await held.hold_on(1.0, "b", 1, "rail")
    assert why.value.code == "stale"
    await asyncio.sleep(0.01)
    assert light.shines == 0.0
    assert light.seen.count(1.0) == 1
    with pytest.raises(Refused, match="has ended"):
        await held.hold_on(1.0, "b", 2, "rail")
    await held.close()


async def test_a_refresh_does_not_light_it_before_the_hold_before_is_dark(monkeypatch: pytest.MonkeyPatch) -> None:
    light, held = await slow_to_go_dark(monkeypatch, 0.05)
    both = [asyncio.create_task(held.hold_on(1.0, "b", seq, "rail")) for seq in (1, 2)]
    await asyncio.gather(*both)
    assert light.seen == [1.0, 0.0, 1.0], "lit, dark, and lit once"
    with pytest.raises(Refused, match="comes after 2"):
        await held.hold_on(1.0, "b", 1, "rail")
    await held.close()


async def test_a_let_go_that_has_overtaken_its_hold_keeps_it_from_beginning() -> None:
    light = Late()
    held = await held_by(light)
    await held.let_go("a", 5, "rail")
    with pytest.raises(Refused, match="has ended") as why:
        await held.hold_on(1.0, "a", 4, "rail")
    assert why.value.code == "stale"
    assert light.shines == 0.0
    await held.hold_on(1.0, "b", 1, "rail")
    await held.let_go("c", 1, "wall")
    assert light.shines == 0.0, "anybody puts it out"
    with pytest.raises(Refused, match="has ended"):
        await held.hold_on(1.0, "b", 2, "rail")
    await held.close()


async def test_a_hold_that_was_refused_lights_nothing_once_nothing_bars_it() -> None:
    """Who goes on holding through a run does not find it lit as that ends: he takes hold anew."""
    light = Late()
    held = await held_by(light)
    held.barred = lambda: Refused("busy", "A run is under way.")
    with pytest.raises(Refused, match="A run is under way"):
        await held.hold_on(1.0, "a", 1, "rail")
    held.barred = lambda: None
    with pytest.raises(Refused, match="has ended"):
        await held.hold_on(1.0, "a", 2, "rail")
    assert light.shines == 0.0
    await held.close()


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
