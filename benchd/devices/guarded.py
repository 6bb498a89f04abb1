"""Devices and links with a guard around each call, which the bench uses in place of a driver's own objects.

A guarded device is of every kind that its driver is, so that `isinstance` finds an axis or a light.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, TypeVar, cast, get_args

import structlog

from benchd.devices import (
    Answer,
    Ask,
    Axis,
    AxisSpec,
    Camera,
    CameraSpec,
    Contacts,
    Device,
    DeviceError,
    DeviceFault,
    Encoder,
    EncoderSpec,
    Exposure,
    Frame,
    FrameLog,
    Gauge,
    GaugeSpec,
    Health,
    Identity,
    Light,
    LightSpec,
    Link,
    LinkError,
    Matcher,
    Meter,
    MotionFailed,
    Operator,
    Reading,
    Surprise,
)
from benchd.devices.guard import Guard
from benchd.errors import Refused

_log = structlog.get_logger("benchd.drivers")

T = TypeVar("T")

CLOSE_S = 10.0
MOVE_MARGIN_S = 30.0
"""Added to three times the move's computed duration: drivers end a failing move long before."""
RETRY_S = 1.0
"""Time between two attempts to restore the wanted level of a light."""


class GuardedDevice(Device):
    """Any device, each call guarded."""

    def __init__(self, device: Any, name: str, driver: str) -> None:
        self._device = device
        self._guard = Guard(name, driver)
        self._closed = asyncio.Event()

    @classmethod
    def create(cls, name: str, config: Any, link: Link | None) -> Device:
        """Not used: `guarded` wraps an existing device."""
        raise NotImplementedError

    @property
    def name(self) -> str:  # type: ignore[override] # read only is all that is needed
        return self._guard.name

    def _attribute(self, attribute: str, kind: type[T]) -> T:
        """An attribute of the device, with its type checked."""
        return self._guard.of_kind(
            attribute, self._guard.now(attribute, lambda: getattr(self._device, attribute)), kind
        )

    def _limit_s(self, attribute: str) -> float:
        return self._guard.number(attribute, self._attribute(attribute, object))

    async def _ask(self, call: str, kind: type[T], *args: Any, anyhow: bool = False) -> T:
        answer = await self._guard.asked(
            call, lambda: getattr(self._device, call)(*args), self._limit_s("answers_within_s"), anyhow=anyhow
        )
        return self._guard.of_kind(call, answer, kind)

    async def open(self) -> Identity:
        self._closed.clear()
        said = await self._guard.asked("open", self._device.open, self._limit_s("opens_within_s"), anyhow=True)
        return self._guard.of_kind("open", said, Identity)

    async def close(self) -> None:
        self._closed.set()
        try:
            await self._guard.asked("close", self._device.close, CLOSE_S, anyhow=True)
        except DeviceError as error:
            _log.warning("a device did not close in order", device=self.name, why=error.text)

    async def health(self) -> Health:
        return await self._ask("health", Health)


class GuardedAxis(GuardedDevice, Axis):
    """A stop may be requested at any time. It voids every motion that has not begun yet, and it is sent after each one
    that failed in its driver or on its link, or was left behind, as it is not known what the motor received. A motion
    whose caller was cancelled meanwhile does not begin, even in the same turn of the loop."""

    def __init__(self, device: Any, name: str, driver: str) -> None:
        super().__init__(device, name, driver)
        self._stops = 0

    @property
    def spec(self) -> AxisSpec:  # type: ignore[override]
        return self._attribute("spec", AxisSpec)

    @property
    def homed(self) -> bool:
        return bool(self._attribute("homed", object))

    async def home(self) -> None:
        await self._move("home", self._device.home, self._limit_s("homes_within_s"))

    async def move_to(self, target: float, speed: float) -> float:
        stood = await self._move("move_to", lambda: self._device.move_to(target, speed), self._move_limit_s(speed))
        return self._guard.number("move_to", stood)

    def _move_limit_s(self, speed: float) -> float:
        spec = self.spec
        fastest = min(speed, spec.top_speed)
        if not fastest > 0.0 or not spec.acceleration > 0.0:
            return MOVE_MARGIN_S
        return 3.0 * ((spec.high - spec.low) / fastest + fastest / spec.acceleration) + MOVE_MARGIN_S

    async def jog(self, speed: float, distance: float) -> None:
        within_s = self._limit_s("answers_within_s")
        await self._move("jog", lambda: self._device.jog(speed, distance), within_s)

    async def _move(self, call: str, work: Callable[[], Awaitable[T]], within_s: float) -> T:
        self._guard.check_free(call)
        stops, caller = self._stops, asyncio.current_task()
        called_off = caller.cancelling() if caller else 0

        async def begun() -> T:
            if self._stops != stops:
                raise MotionFailed(f"{self.name}: a stop came before the motion had begun.", device=self.name)
            if caller is not None and caller.cancelling() > called_off:  # it has not heard of it itself yet
                raise MotionFailed(f"{self.name}: the motion was called off before it had begun.", device=self.name)
            return await work()

        try:
            return await self._guard.asked(call, begun, within_s, ends_within_s=self._rests_s)
        except (asyncio.CancelledError, DeviceFault, LinkError) as ended:
            if not isinstance(ended, asyncio.CancelledError) or self._guard.left_behind:
                await self._stop_to_its_end()
            raise

    async def _stop_to_its_end(self) -> None:
        """Stop, whatever comes of it. A caller that is cancelled meanwhile still gets the error that ended its motion:
        who takes the cancellation for an orderly end would trust a position that nobody knows."""
        stopping = asyncio.create_task(self.stop(), name=f"stop {self.name}")
        while not stopping.done():
            with suppress(asyncio.CancelledError):
                await asyncio.wait({stopping})
        if not stopping.cancelled():
            stopping.exception()  # retrieved; the original error is raised

    async def stop(self) -> None:
        self._stops += 1
        rests_s = self._rests_s
        await self._guard.asked("stop", self._device.stop, 3.0 * rests_s, anyhow=True, ends_within_s=rests_s)

    @property
    def _rests_s(self) -> float:
        """Time for a stop; a driver that fails even at this attribute is stopped all the same."""
        try:
            return self._limit_s("rests_within_s")
        except DeviceFault:
            return Axis.rests_within_s

    async def read(self) -> Reading:
        return await self._ask("read", Reading)

    def surprises(self) -> AsyncIterator[Surprise]:
        return self._guard.items("surprises", self._device.surprises, Surprise, None, self._closed)


class _Readable(GuardedDevice):
    async def read(self) -> Reading:
        return await self._ask("read", Reading)


class GuardedEncoder(_Readable, Encoder):
    """`seek_reference` has no time limit of its own; its caller cancels it."""

    @property
    def spec(self) -> EncoderSpec:  # type: ignore[override]
        return self._attribute("spec", EncoderSpec)

    async def seek_reference(self) -> bool:
        return bool(await self._guard.asked("seek_reference", self._device.seek_reference, None))


class GuardedGauge(_Readable, Gauge):
    """A contact gauge."""

    @property
    def spec(self) -> GaugeSpec:  # type: ignore[override]
        return self._attribute("spec", GaugeSpec)


class GuardedMeter(_Readable, Meter):
    """A meter of any scalar."""

    @property
    def quantity(self) -> str:  # type: ignore[override]
        return self._attribute("quantity", str)

    @property
    def unit(self) -> str:  # type: ignore[override]
        return self._attribute("unit", str)

    @property
    def contacts(self) -> Contacts | None:  # type: ignore[override]
        said: Any = self._attribute("contacts", object)
        if said not in (None, *get_args(Contacts)):
            raise self._guard.fault("contacts", f"answered contacts with {said!r:.80}")
        return cast(Contacts | None, said)


class GuardedLight(GuardedDevice, Light):
    """A dimmable light. Switching it off is sent even while a call is left behind.

    A level whose call was cancelled may still take effect when that call returns: then the wanted level is set again,
    which is the last one set, or dark if it was switched off, closed or opened since.
    """

    def __init__(self, device: Any, name: str, driver: str) -> None:
        super().__init__(device, name, driver)
        self._wanted = 0.0
        self._darkened = 0

    @property
    def spec(self) -> LightSpec:  # type: ignore[override]
        return self._attribute("spec", LightSpec)

    def _note_dark(self) -> None:
        self._wanted = 0.0
        self._darkened += 1

    async def open(self) -> Identity:
        self._note_dark()
        return await super().open()

    async def close(self) -> None:
        self._note_dark()
        await super().close()

    async def set_level(self, level: float) -> None:
        if dark := level <= 0.0:
            self._note_dark()
        darkened, within_s = self._darkened, self._limit_s("answers_within_s")
        await self._guard.asked("set_level", lambda: self._set(level), within_s, anyhow=dark)
        if not dark and darkened == self._darkened:
            self._wanted = level

    async def _set(self, level: float) -> None:
        given_up = False
        try:
            await self._device.set_level(level)
            given_up = self._guard.am_cancelled
        except BaseException:
            given_up = self._guard.am_left_behind  # otherwise it ended in order, and nothing takes effect later
            raise
        finally:
            if given_up:
                await self._restore_wanted_level()

    async def _restore_wanted_level(self) -> None:
        """Set the wanted level until that succeeds; meanwhile the light is a fault, and only switching off is sent."""
        first_failure = True
        while True:
            wanted = self._wanted
            try:
                await self._device.set_level(wanted)
                if wanted == self._wanted:
                    return
            except Exception as error:
                if self._closed.is_set():
                    raise
                if first_failure:
                    _log.warning("a light cannot be set back yet", device=self.name, to=wanted, exc_info=error)
                first_failure = False
                await asyncio.sleep(RETRY_S)

    async def level(self) -> float:
        return self._guard.number("level", await self._ask("level", object))


class GuardedCamera(GuardedDevice, Camera):
    """A camera."""

    @property
    def spec(self) -> CameraSpec:  # type: ignore[override]
        return self._attribute("spec", CameraSpec)

    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        return await self._ask("configure", Exposure, exposure_ms, gain)

    async def grab(self) -> Frame:
        return await self._ask("grab", Frame)

    def stream(self) -> AsyncIterator[Frame]:
        return self._guard.items("stream", self._device.stream, Frame, self._limit_s("answers_within_s"), self._closed)


class GuardedOperator(GuardedDevice, Operator):
    """The person, without a time limit, and whose answers may be refused."""

    async def ask(self, question: Ask) -> Answer:
        said = await self._guard.asked("ask", lambda: self._device.ask(question), None, passing=Refused)
        return self._guard.of_kind("ask", said, Answer)

    def answer(self, ask_id: str, value: Any, user: str) -> Answer:
        said = self._guard.now("answer", lambda: self._device.answer(ask_id, value, user), passing=Refused)
        return self._guard.of_kind("answer", said, Answer)


_GUARDED: Mapping[type[Device], type[GuardedDevice]] = {
    Axis: GuardedAxis,
    Encoder: GuardedEncoder,
    Gauge: GuardedGauge,
    Light: GuardedLight,
    Meter: GuardedMeter,
    Camera: GuardedCamera,
    Operator: GuardedOperator,
}


def guarded(device: Device, name: str, driver: str) -> Device:
    """The device with a guard around each call; it is of all kinds that the device is."""
    kinds = tuple(made for kind, made in _GUARDED.items() if isinstance(device, kind)) or (GuardedDevice,)
    make = cast(Callable[[Device, str, str], Device], type("Guarded" + type(device).__name__, kinds, {}))
    return make(device, name, driver)


class GuardedLink(Link):
    """A guarded link, for the bench to open, watch and close; devices use the link itself."""

    def __init__(self, link: Link, name: str, kind: str) -> None:
        self._link = link
        self.name = name
        self._guard = Guard(f"link {name}", kind)

    async def open(self) -> None:
        await self._guard.asked("open", self._link.open, Device.opens_within_s, anyhow=True)

    async def close(self) -> None:
        try:
            await self._guard.asked("close", self._link.close, CLOSE_S, anyhow=True)
        except DeviceError as error:
            _log.warning("a link did not close in order", link=self.name, why=error.text)

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        work = self._link.query
        return await self._guard.asked("query", lambda: work(data, until, timeout_s), timeout_s + 1.0)

    def urgent(self, data: bytes) -> None:
        self._guard.now("urgent", lambda: self._link.urgent(data))

    def listen(self) -> AsyncIterator[bytes]:
        return self._guard.now("listen", self._link.listen)

    def where(self) -> str:
        return str(self._guard.now("where", self._link.where))

    @property
    def connected(self) -> bool:
        return bool(self._guard.now("connected", lambda: self._link.connected))

    @property
    def why_lost(self) -> str:
        return str(self._guard.now("why_lost", lambda: self._link.why_lost))

    @property
    def recent(self) -> Sequence[FrameLog]:
        return self._guard.now("recent", lambda: self._link.recent)
