"""The laser in the role `pointer`: it shines only while somebody holds it on.

The assembly has this in the place of the driver's own light, so that whoever lights anything comes through here, and
lighting it any other way than by a hold is refused. A hold is refreshed some ten times a second, and ends for good when
it lapses, its time is over, somebody stops, something begins, or a camera exposes. Dark is begun at once then, and
insisted on until the light itself tells that it is dark; before that nothing here takes it for dark. None of it is a
safety function: what protects eyes is the class of the laser.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from typing import NoReturn

import structlog

from benchd.bench.holds import LAPSES_S, Hold, Holds
from benchd.devices import Clock, DeviceError, Health, Identity, Light, LightSpec, Link, now_s
from benchd.errors import Refused

_log = structlog.get_logger("benchd.lights")

USUAL_S, LONGEST_S = 60.0, 600.0
"""A hold ends after so long however it is refreshed: where it does not say for how long, and at the most."""
RETRY_S = 0.5
DARK_WITHIN_S = 3.0
"""Who needs it dark waits so long for that."""
NOT_DONE = ("busy", "unknown")
"""By these a driver's health tells that a level it took is not in force, or not for sure (`Light.set_level`)."""
BY_HAND = "Switch its supply off by hand; do not look for the beam."
ANEW = "Begin another hold, with a name of its own, where it is still wanted."


class Pointer(Light):
    """Stands for a light with a laser class. `barred` gives the refusal while the bench has it dark."""

    def __init__(self, light: Light) -> None:
        self._light = light
        self.name = light.name
        self.barred: Callable[[], Refused | None] = lambda: None
        self._holds = Holds(Clock(), f"'{light.name}' is held on")
        self._hold: Hold | None = None
        self._level = 0.0  # that was set last for the sake of the hold
        self._exposing = 0
        self._open = False
        self._lit = (
            False  # it may shine: from before it is lit until it tells that it is dark, and nothing else is on its way
        )
        self._lighting: asyncio.Task[None] | None = None
        self._darkening: asyncio.Task[None] | None = None
        self._lapsing: asyncio.TimerHandle | None = None
        self._why = ""

    @classmethod
    def create(cls, name: str, config: object, link: Link | None) -> NoReturn:
        """Not used: it stands for a light that is there."""
        raise NotImplementedError

    @property
    def spec(self) -> LightSpec:  # type: ignore[override]  # read only is all that is needed
        return self._light.spec

    async def open(self) -> Identity:
        """Dark: its safe level is 0, and where it does not tell that this is so it is insisted on."""
        self.put_out()
        identity = await self._light.open()
        await self._nothing_on_its_way()
        self._why, self._lit = "", True
        with suppress(DeviceError):
            await self._check_dark()
            self._lit = False
        self._open = True
        self.put_out()
        return identity

    async def close(self) -> None:
        self._open = False
        self.put_out()
        await self._nothing_on_its_way()
        await self._light.close()

    async def _nothing_on_its_way(self) -> None:
        for task in (self._lighting, self._darkening):
            await _ended(task)
        self._lighting = self._darkening = None

    async def health(self) -> Health:
        health = await self._light.health()
        if self._darkening is None or not self._why:
            return health
        code = health.code if health.state == "fault" else "lit"
        return Health("fault", code, f"{self.name} was told to go dark, and may still shine: {self._why}. {BY_HAND}")

    async def level(self) -> float:
        return await self._light.level()

    # ---- lighting it

    async def set_level(self, level: float) -> None:
        """Dark, which ends the hold. Raises Refused for any other level."""
        if level > 0.0:
            raise held_only(self.name)
        self.put_out()
        if self._darkening is None:
            await self._light.set_level(0.0)
        await self.dark()

    async def hold_on(self, level: float, ident: str, seq: int, user: str, for_s: float | None = None) -> float:
        """Light it, or keep it lit, for `LAPSES_S` more. Returns the level, the newest that was asked for meanwhile.
        `for_s` counts from the hold's beginning.

        Raises Refused (busy, stale, interlock, bad_request), and DeviceError; it is dark then, or still goes by what
        it was told before.
        """
        allowed_s = _allowed_s(for_s)
        if self._hold is not None and not self._holds.held(self._hold):  # nobody has come to that yet
            self.put_out()
        hold, first = self._holds.heard(user, ident, seq, level)
        if first:
            self._hold, hold.ends_s = hold, hold.began_s + allowed_s
        elif for_s is not None:
            hold.ends_s = min(hold.ends_s, hold.began_s + allowed_s)
        self._require(hold)
        self._lapses(hold)
        if (darkening := self._darkening) is not None:
            # After the hold before. What lets this one go may wait behind this message: then it has lapsed.
            await asyncio.wait({darkening}, timeout=DARK_WITHIN_S)
            if not darkening.done():
                self.put_out()
                raise self._may_shine()
            self._require(hold)
        if level != self._level:
            self._level = level
            await self._light_up(hold)
        return self._level

    async def let_go(self, ident: str, seq: int, user: str) -> None:
        """Dark; and that hold does not begin any more, where this has overtaken its beginning. Raises DeviceError."""
        with suppress(Refused):
            self._holds.heard(user, ident, seq, 0.0)
        await self.set_level(0.0)

    def _lapses(self, hold: Hold) -> None:
        """So much longer it goes on, unless something ends it before."""
        if self._lapsing is not None:
            self._lapsing.cancel()
        self._lapsing = asyncio.get_running_loop().call_later(hold.until_s - now_s(), self.put_out)

    def _require(self, hold: Hold) -> None:
        """Raise Refused where it has to be dark now, or where that hold is not in force any more."""
        why: Refused | None = None
        if not self._open:
            why = Refused("device_fault", f"'{self.name}' is not open.", advice="Look at its state.")
        elif self._exposing:
            why = Refused("busy", f"A camera exposes: '{self.name}' stays dark.", advice=ANEW)
        elif (why := self.barred()) is None and hold is not self._hold:
            raise Refused("stale", f"'{self.name}' was put out meanwhile.", advice=ANEW)
        if why is not None:
            self.put_out()
            raise why

    async def _light_up(self, hold: Hold) -> None:
        self._lit = True
        if self._lighting is None or self._lighting.done():
            self._lighting = asyncio.create_task(self._to_newest(hold), name=f"light {self.name}")
        lighting = self._lighting
        try:
            await asyncio.wait({lighting})
        except asyncio.CancelledError:
            self.put_out()
            raise
        if self._lighting is lighting:
            self._lighting = None
        failed = None if lighting.cancelled() else lighting.exception()
        if failed is not None:
            if hold is self._hold:
                self.put_out()
            raise failed
        self._require(hold)

    async def _to_newest(self, hold: Hold) -> None:
        """One level at a time: what lights it later than dark was begun is one call at the most, which dark awaits."""
        level = 0.0
        while hold is self._hold and level != self._level:
            level = self._level
            await self._light.set_level(level)

    # ---- putting it out

    def put_out(self) -> None:
        """End the hold, for good, and begin to go dark; at once, whatever is under way."""
        if self._hold is not None:
            self._holds.over(self._hold)
            self._hold, self._level = None, 0.0
        if self._lapsing is not None:
            self._lapsing.cancel()
            self._lapsing = None
        if self._lit and self._open and self._darkening is None:
            if self._lighting is not None:
                self._lighting.cancel()
            self._darkening = asyncio.create_task(self._insist(), name=f"dark {self.name}")

    async def dark(self) -> None:
        """Put out, and return when it is dark. Raises DeviceError where that cannot be had."""
        self.put_out()
        await self._once_dark()

    @asynccontextmanager
    async def kept_dark(self) -> AsyncIterator[None]:
        """Dark within the block, as a camera exposes. Raises DeviceError."""
        self._exposing += 1
        try:
            await self.dark()
            yield
        finally:
            self._exposing -= 1

    async def _once_dark(self) -> None:
        if self._darkening is not None:
            await asyncio.wait({self._darkening}, timeout=DARK_WITHIN_S)
        if self._lit:
            raise self._may_shine()

    def _may_shine(self) -> DeviceError:
        why = self._why or ("it does not answer" if self._open else "it was lit when it was lost")
        return DeviceError(f"{self.name} may still shine: {why}.", advice=BY_HAND, device=self.name)

    async def _insist(self) -> None:
        """Dark overtakes a level on its way where its driver can; else it is said again behind that. That a driver took
        it does not count: some promise it, and keep that once they can."""
        while True:
            try:
                await self._light.set_level(0.0)
                if self._lighting is not None:
                    await _ended(self._lighting)
                    await self._light.set_level(0.0)
                await self._check_dark()
                break
            except DeviceError as error:
                if not self._why:
                    _log.warning("a laser could not be put out yet", device=self.name, why=error.text)
                self._why = error.text.rstrip(".")
            await asyncio.sleep(RETRY_S)
        self._why, self._lit, self._lighting, self._darkening = "", False, None, None

    async def _check_dark(self) -> None:
        """Raise DeviceError unless the light tells that it is dark, as far as it can tell."""
        level = await self._light.level()
        if level > 0.5 * self.spec.least:
            raise DeviceError(f"it tells a level of {level:.3g}", device=self.name)
        health = await self._light.health()
        if health.state == "fault" or health.code in NOT_DONE:
            raise DeviceError(health.text or f"its driver tells '{health.code}' of it", device=self.name)


def _allowed_s(for_s: float | None) -> float:
    if for_s is not None and for_s > LONGEST_S:
        raise Refused("bad_request", f"A laser is held on for {LONGEST_S:g} s at the most, not {for_s:g} s.")
    return USUAL_S if for_s is None else for_s


def held_only(name: str) -> Refused:
    """The refusal to light a laser so that it stays lit."""
    return Refused(
        "not_allowed",
        f"'{name}' is a laser: it is on only while somebody holds it on.",
        advice=f"Send `light` with `hold` and a rising `seq`, at least every {LAPSES_S * 1000:.0f} ms; no step of a "
        "procedure can.",
    )


async def _ended(task: asyncio.Task[None] | None) -> None:
    """Return when a task that is not wanted any more has ended, however."""
    if task is not None:
        task.cancel()
        await asyncio.wait({task})
        if not task.cancelled():
            task.exception()
