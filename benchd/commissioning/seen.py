"""What this machine says of its ports and cameras. Nothing is opened: to open a port resets many boards.

It is read from the device tree of the operating system alone, so no byte goes to any device.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

BY_ID = Path("/dev/serial/by-id")
VIDEO = Path("/sys/class/video4linux")
VISA_WITHIN_S = 10.0
_VISA = "import json, pyvisa; print(json.dumps(list(pyvisa.ResourceManager('@py').list_resources())))"


@dataclass(frozen=True, slots=True)
class SeenPort:
    """A serial port: its path, what its adapter calls itself, and by what it is found again; empty for not told."""

    path: str
    what: str
    usb_serial: str
    usb_id: str
    """Vendor and product, as `1a86:7523`."""
    by_id: str
    """Its name in /dev/serial/by-id."""

    def in_words(self) -> str:
        """One line for a person."""
        told = [self.what or "a port of this machine"]
        if self.usb_id:
            told.append(
                f"USB {self.usb_id}, " + (f"serial number {self.usb_serial}" if self.usb_serial else "no serial number")
            )
        return f"{self.path}: {'; '.join(told)}"


@dataclass(frozen=True, slots=True)
class SeenCamera:
    """A video device of this machine."""

    path: str
    what: str

    def in_words(self) -> str:
        """One line for a person."""
        return f"{self.path}: {self.what}" if self.what else self.path


@dataclass(frozen=True, slots=True)
class Seen:
    """All that was found; `visa` is None where no library for it is installed."""

    ports: tuple[SeenPort, ...]
    cameras: tuple[SeenCamera, ...]
    visa: tuple[str, ...] | None

    def as_json(self) -> dict[str, Any]:
        """The same for a JSON document."""
        return asdict(self)


def look() -> Seen:
    """What is there now (blocking: reads the device tree)."""
    return Seen(serial_ports(), cameras(), visa_resources())


def serial_ports(by_id: Path = BY_ID) -> tuple[SeenPort, ...]:
    """The serial ports that the operating system lists."""
    from serial.tools.list_ports import comports

    names = {str(link.resolve()): link.name for link in sorted(by_id.glob("*"))}
    return tuple(
        SeenPort(
            port.device,
            " ".join(part for part in (port.manufacturer, port.product) if part),
            port.serial_number or "",
            "" if port.vid is None else f"{port.vid:04x}:{port.pid or 0:04x}",
            names.get(str(Path(port.device).resolve()), ""),
        )
        for port in sorted(comports(), key=lambda port: str(port.device))
    )


def cameras(tree: Path = VIDEO) -> tuple[SeenCamera, ...]:
    """The video devices, with the names that their drivers gave them."""
    found = []
    for folder in sorted(tree.glob("video*")):
        try:
            what = (folder / "name").read_text(encoding="utf-8", errors="replace").strip()
        except OSError:  # unplugged just now
            what = ""
        found.append(SeenCamera(f"/dev/{folder.name}", what))
    return tuple(found)


def visa_resources() -> tuple[str, ...] | None:
    """The names of VISA resources, None without a library for them.

    A process of its own, which is ended: the search waits for the network, and libraries are known to hang in it.
    """
    from importlib.util import find_spec

    if find_spec("pyvisa") is None or find_spec("pyvisa_py") is None:
        return None
    try:
        done = subprocess.run(
            [sys.executable, "-c", _VISA], capture_output=True, text=True, timeout=VISA_WITHIN_S, check=True
        )
        return tuple(str(name) for name in json.loads(done.stdout.splitlines()[-1]))
    except (OSError, subprocess.SubprocessError, ValueError, IndexError):
        return ()


def identity_of(path: str, ports: Sequence[SeenPort]) -> dict[str, str]:
    """What finds that port again under another name, as the key `match` of a link takes it; empty for nothing.

    A serial number that two adapters share tells neither from the other.
    """
    found = next((port for port in ports if Path(port.path).resolve() == Path(path).resolve()), None)
    if found is None:
        return {}
    if found.usb_serial and sum(port.usb_serial == found.usb_serial for port in ports) == 1:
        return {"usb_serial": found.usb_serial}
    if found.by_id and not any(found.by_id in port.by_id for port in ports if port is not found):
        return {"by_id": found.by_id}
    return {}
