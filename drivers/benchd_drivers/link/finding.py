"""Which port a device is on, by what identifies it, so that it is found again under another name."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Protocol

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd.devices import LinkError


class PortInfo(Protocol):
    """What the operating system tells of a port (the shape of pyserial's list)."""

    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None


class Match(BaseModel):
    """What identifies the adapter: its USB serial number, a part of its by-id name, or vendor and product id."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    usb_serial: str | None = Field(default=None, min_length=1)
    by_id: str | None = Field(default=None, min_length=1)
    vid: int | None = Field(default=None, ge=0, le=0xFFFF)
    pid: int | None = Field(default=None, ge=0, le=0xFFFF)

    @model_validator(mode="after")
    def _something(self) -> Match:
        if self.usb_serial is None and self.by_id is None and self.vid is None:
            raise ValueError("name at least one of usb_serial, by_id, vid")
        if self.pid is not None and self.vid is None:
            raise ValueError("pid needs vid")
        return self


def choose(match: Match, ports: Sequence[PortInfo], by_id: Sequence[Path], device: str) -> str:
    """The one port that fits. Raises LinkError where none or several do: a wrong device is worse than none."""
    fitting = [port.device for port in ports if _fits(match, port, by_id)]
    if len(fitting) == 1:
        return fitting[0]
    asked = ", ".join(f"{key} {value}" for key, value in match.model_dump(exclude_none=True).items())
    if not fitting:
        present = ", ".join(f"{p.device} (usb_serial {p.serial_number or 'none'})" for p in ports) or "no ports at all"
        raise LinkError(f"No port has {asked}.", advice=f"Seen: {present}.", device=device)
    raise LinkError(
        f"{len(fitting)} ports have {asked}: {', '.join(sorted(fitting))}.",
        advice="Add a key that tells them apart (usb_serial or by_id).",
        device=device,
    )


def _fits(match: Match, port: PortInfo, by_id: Sequence[Path]) -> bool:
    if match.usb_serial is not None and port.serial_number != match.usb_serial:
        return False
    if match.vid is not None and port.vid != match.vid:
        return False
    if match.pid is not None and port.pid != match.pid:
        return False
    if match.by_id is None:
        return True
    return any(match.by_id in path.name and str(path.resolve()) == str(Path(port.device).resolve()) for path in by_id)


def find(match: Match, device: str) -> str:
    """Look at the ports of this machine (blocking: reads the device tree). Raises LinkError as `choose`."""
    from serial.tools.list_ports import comports

    folder = Path("/dev/serial/by-id")
    return choose(match, comports(), sorted(folder.iterdir()) if folder.is_dir() else [], device)
