"""The driver interface, version 1: the contract of each kind of device.

The classes are ABCs: a missing method fails at construction.

Rules for every call: it never blocks the event loop; it has a time limit of its own; `CancelledError` passes
through untouched and leaves the device usable; errors are those of `benchd.devices.errors`.

The daemon guards each call all the same: another exception, a wrong answer, or a call that does not return in time is a
`DeviceFault` of that device, and the other devices continue. Only a call that blocks the event loop (`time.sleep`, a
blocking read) holds up everything, stop included, and nothing inside the process can end it: put it into a thread. A
call that swallows its cancellation and continues is left behind: until it has returned the device is a fault, and only
stop, switching off, close and open are sent to it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import AsyncIterator
from typing import Any, ClassVar

from pydantic import BaseModel

from benchd.devices.links import Link
from benchd.devices.values import (
    Answer,
    Ask,
    AxisSpec,
    CameraSpec,
    Contacts,
    EncoderSpec,
    Exposure,
    Frame,
    GaugeSpec,
    Health,
    Identity,
    LightSpec,
    Reading,
    Surprise,
)

DRIVER_API = 1


class Device(ABC):
    """Anything on the bench. A driver class carries `Config` (pydantic, extra keys forbidden) and `create`."""

    Config: ClassVar[type[BaseModel]]
    driver_api: ClassVar[int] = 1
    """The version of this interface that the driver was written for; 1 if not stated."""
    name: str
    answers_within_s: float = 5.0
    """Upper limit of the duration of any single query, setting or picture, time in a queue included."""
    opens_within_s: float = 20.0
    """The same for `open`."""

    @classmethod
    @abstractmethod
    def create(cls, name: str, config: Any, link: Link | None) -> Device:
        """Build the device from its checked `Config`; touches no hardware. Raises ValueError for a missing link,
        and for a key that does not go with others; a sentence that begins with the key is told at its line."""

    @abstractmethod
    async def open(self) -> Identity:
        """Make contact (the link is open already) and check identity. Raises DeviceMismatch, LinkError."""

    @abstractmethod
    async def close(self) -> None:
        """Leave the hardware safe (standstill, light at its safe level). Idempotent; never raises."""

    @abstractmethod
    async def health(self) -> Health:
        """The state of the device, from what is known; at most a short query."""


class Axis(Device):
    """One moving axis. Positions are in `spec.unit` in the axis's own coordinate; positive is away from the lens."""

    spec: AxisSpec
    homes_within_s: float = 600.0
    """Upper limit of the duration of homing."""
    rests_within_s: float = 5.0
    """Upper limit of the time from a stop, or a cancellation of a motion, to standstill."""

    @property
    @abstractmethod
    def homed(self) -> bool:
        """Whether the controller's zero is still valid since the last `home`."""

    @abstractmethod
    async def home(self) -> None:
        """Find the switch (bounded search) and set the zero. Raises HomeFailed; the axis is then not homed.

        Cancelled: as `move_to`.
        """

    @abstractmethod
    async def move_to(self, target: float, speed: float) -> float:
        """Absolute move; returns at standstill as the controller sees it, with the monotonic time of standstill (s).

        Raises MotionFailed (alarm, limit, reset, ended by `stop`), LinkError. The time limit comes from distance, speed
        and acceleration plus a margin. If cancelled, the axis is stopped before CancelledError is raised, within
        `rests_within_s`. Targets outside `spec.low .. spec.high` raise MotionFailed before a byte is written.
        """

    @abstractmethod
    async def jog(self, speed: float, distance: float) -> None:
        """Begin one bounded segment (`distance` signed, `speed` positive), replacing one under way; returns at once."""

    @abstractmethod
    async def stop(self) -> None:
        """Stop ahead of everything queued, flush buffers, return at standstill. Safe at any time and repeatedly."""

    @abstractmethod
    async def read(self) -> Reading:
        """Position as the controller sees it."""

    @abstractmethod
    def surprises(self) -> AsyncIterator[Surprise]:
        """Events that make the position untrustworthy, as they happen; ends at `close`."""


class Encoder(Device):
    """A position scale."""

    spec: EncoderSpec

    @abstractmethod
    async def read(self) -> Reading:
        """Position in um (unit 'um')."""

    @abstractmethod
    async def seek_reference(self) -> bool:
        """Arm and wait for the reference mark while the axis moves; False if the scale has none."""


class Gauge(Device):
    """A contact gauge (dial or digital indicator); the sign of its reading is in its spec."""

    spec: GaugeSpec

    @abstractmethod
    async def read(self) -> Reading:
        """Reading in um."""


class Light(Device):
    """A dimmable light; level 0 is dark, 1 is full."""

    spec: LightSpec

    @abstractmethod
    async def set_level(self, level: float) -> None:
        """Set the level, 0 to 1; raises ValueError outside.

        It is in force on return. Dark alone may be a promise, of what cannot be done at once: until it is kept the
        health is `degraded` with the code `busy`, or `unknown` where nobody can tell.
        """

    @abstractmethod
    async def level(self) -> float:
        """The level in force, as the device tells it; of one that tells nothing what was sent last."""


class Meter(Device):
    """Any scalar: photodiode, temperature, tilt, range, switch.

    One whose quantity is `switch` reads 1 while it is acted on (pressed, a hand in the bench) and 0 while it is not,
    and says by `contacts` which way its circuit goes then: `normally_closed` opens. What it cannot read it raises.
    """

    quantity: str
    unit: str
    contacts: Contacts | None = None

    @abstractmethod
    async def read(self) -> Reading:
        """One value in `unit`."""


class Camera(Device):
    """A camera; pictures come encoded (see Frame)."""

    spec: CameraSpec

    @abstractmethod
    async def configure(self, exposure_ms: float, gain: float) -> Exposure:
        """Set exposure and gain; returns the values in force."""

    @abstractmethod
    async def grab(self) -> Frame:
        """One picture whose exposure began after the call."""

    @abstractmethod
    def stream(self) -> AsyncIterator[Frame]:
        """Pictures as they arrive, until the iterator is closed."""


class Operator(Device):
    """The person at the bench, as a device: asked in words, answering in values."""

    @abstractmethod
    async def ask(self, question: Ask) -> Answer:
        """Put the question and wait for the first valid answer."""

    @abstractmethod
    def answer(self, ask_id: str, value: Any, user: str) -> Answer:
        """Hand in an answer. Raises Refused: not_found (no such open question), bad_request (not a valid answer)."""
