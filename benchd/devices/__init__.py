"""What a device is: interfaces, values, errors, and the registry that finds drivers and links by entry point.

Drivers import from here and from nowhere else in benchd. Importing this package loads no driver.
"""

from benchd.devices.clock import Clock, now_s, now_utc
from benchd.devices.errors import (
    DeviceError,
    DeviceFault,
    DeviceMismatch,
    HomeFailed,
    Implausible,
    LinkError,
    LinkGarbled,
    LinkTimeout,
    MotionFailed,
)
from benchd.devices.interfaces import (
    DRIVER_API,
    Axis,
    Camera,
    Device,
    Encoder,
    Gauge,
    Light,
    Meter,
    Operator,
)
from benchd.devices.links import FrameLog, Link, Matcher, line, matching, nothing, nothing_at_once
from benchd.devices.values import (
    Answer,
    Ask,
    AxisSpec,
    CameraSpec,
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
from benchd.errors import Refused
from benchd.quantities import printed_unit, utc_seconds

__all__ = [
    "DRIVER_API",
    "Answer",
    "Ask",
    "Axis",
    "AxisSpec",
    "Camera",
    "CameraSpec",
    "Clock",
    "Device",
    "DeviceError",
    "DeviceFault",
    "DeviceMismatch",
    "Encoder",
    "EncoderSpec",
    "Exposure",
    "Frame",
    "FrameLog",
    "Gauge",
    "GaugeSpec",
    "Health",
    "HomeFailed",
    "Identity",
    "Implausible",
    "Light",
    "LightSpec",
    "Link",
    "LinkError",
    "LinkGarbled",
    "LinkTimeout",
    "Matcher",
    "Meter",
    "MotionFailed",
    "Operator",
    "Reading",
    "Refused",
    "Surprise",
    "line",
    "matching",
    "nothing",
    "nothing_at_once",
    "now_s",
    "now_utc",
    "printed_unit",
    "utc_seconds",
]
