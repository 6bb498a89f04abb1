"""Errors of devices and links, as a tree.

    DeviceError (benchd.errors.BenchdError, code device_fault unless said otherwise)
    +-- LinkError           the transport: cannot open, broken, in use by another process
    |   +-- LinkTimeout     no complete answer before the deadline (code timeout)
    |   +-- LinkGarbled      bytes that match no answer, beyond the bound
    +-- DeviceMismatch      another device answers than the one the bench file names
    +-- HomeFailed          no switch, a stuck switch, no reference mark
    +-- MotionFailed        the controller refused or broke off a move (alarm, limit, reset)
    +-- Implausible         a reading that cannot be true (frozen, jumped, reversed)

`frames` holds the last bytes on the link, newest last, for finding the cause.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.errors import BenchdError, ErrorCode

if TYPE_CHECKING:
    from benchd.devices.links import FrameLog


class DeviceError(BenchdError):
    """A device or its link failed; `device` names it, `frames` are the last bytes exchanged."""

    def __init__(
        self,
        text: str,
        *,
        advice: str = "",
        device: str = "",
        frames: Sequence[FrameLog] = (),
        data: Mapping[str, Any] | None = None,
        code: ErrorCode = "device_fault",
    ) -> None:
        super().__init__(code, text, advice=advice, data=data)
        self.device = device
        self.frames = tuple(frames)


class LinkError(DeviceError):
    """The transport failed: it cannot be opened, it broke, or another process holds it."""


class LinkTimeout(LinkError):
    """No complete answer arrived before the one deadline of the query."""

    def __init__(self, text: str, **kwargs: Any) -> None:
        kwargs.setdefault("code", "timeout")
        super().__init__(text, **kwargs)


class LinkGarbled(LinkError):
    """More bytes than any answer may have, none of them an answer (wrong baud rate, noise)."""


class DeviceMismatch(DeviceError):
    """The device that answers is not the one the bench file names; it is not used."""


class HomeFailed(DeviceError):
    """Homing ended without a trusted zero: no switch within reach, stuck switch, no mark."""


class MotionFailed(DeviceError):
    """A move did not end where it was sent: alarm, limit, reset, or refused by the controller."""


class Implausible(DeviceError):
    """A reading that cannot be true: frozen, jumping or reversed."""


class DeviceFault(DeviceError):
    """A driver broke its contract; `data` names device, driver, call, and what was raised (`error`, `said`)."""
