"""The devices on the simulated Modbus drive, by its register map."""

from __future__ import annotations

from typing import Any

from benchd.devices import Link
from benchd_drivers.modbus_axis import ModbusAxis, ModbusRotary
from benchd_drivers.modbus_light import ModbusLight
from benchd_drivers.modbus_link import ModbusRtu, ModbusTcp
from benchd_drivers.modbus_meter import ModbusMeter
from tests.drivers.conftest import SimulatedBench

UNIT = 17
MODEL = {"address": 6, "table": "input", "value": 0x4D31}

AXIS: dict[str, Any] = {
    "unit_id": UNIT,
    "identity": MODEL,
    "status": {"address": 0, "table": "input"},
    "position": {"address": 1, "table": "input", "type": "int32", "words": "high_first"},
    "target": {"address": 0, "type": "int32", "words": "high_first"},
    "speed": {"address": 2},
    "moving": {"bit": 0},
    "homed": {"bit": 1},
    "fault": {"bit": 2},
    "limit": [{"bit": 3}, {"bit": 4}],
    "move": {"address": 3, "value": 1},
    "stop": {"address": 3, "value": 2},
    "home": {"address": 3, "value": 3},
    "clear": {"address": 3, "value": 4},
    "um_per_count": 0.5,
    "speed_um_s_per_count": 0.5,
    "travel_um": [0, 30000],
    "top_speed_um_s": 4000,
    "acceleration_um_s2": 20000,
    "home_search_um": 32000,
}
"""The carriage on the simulated drive."""


RING: dict[str, Any] = {
    **{key: AXIS[key] for key in ("status", "position", "target", "speed", "moving", "homed", "fault", "limit")},
    **{key: AXIS[key] for key in ("move", "stop", "home", "clear")},
    "unit_id": UNIT + 1,
    "identity": {**MODEL, "value": 0x4D32},
    "deg_per_count": 0.005,
    "speed_deg_s_per_count": 0.005,
    "travel_deg": [0, 290],
    "top_speed_deg_s": 60,
    "acceleration_deg_s2": 400,
    "home_search_deg": 330,
    "home_speed_deg_s": 40,
}
"""A ring of the lens, on the next drive of the line."""


def rtu_link(bench: SimulatedBench, **changes: Any) -> ModbusRtu:
    """Its serial line. A pseudo-terminal carries no parity."""
    keys = {"port": str(bench.folder / "drive"), "parity": "none", "timeout_s": 0.2, **changes}
    return ModbusRtu.create("drive", ModbusRtu.Config(**keys))


def tcp_link(bench: SimulatedBench, **changes: Any) -> ModbusTcp:
    """Its network socket."""
    return ModbusTcp.create("drive", ModbusTcp.Config(**{"url": bench.ports["drive_tcp"], "timeout_s": 0.2, **changes}))


def modbus_meter(link: Link, **changes: Any) -> ModbusMeter:
    """The indicator's reading in millimetres, the low word first."""
    value = {"address": 4, "table": "input", "type": "float32", "words": "low_first"}
    keys = {"unit_id": UNIT, "identity": MODEL, "quantity": "height", "unit": "mm", "value": value, **changes}
    return ModbusMeter.create("readout", ModbusMeter.Config(**keys), link)


def modbus_light(link: Link, **changes: Any) -> ModbusLight:
    """The dimmer on the drive."""
    keys = {"unit_id": UNIT, "identity": MODEL, "level": {"address": 4}, "full": 1000, **changes}
    return ModbusLight.create("lamp", ModbusLight.Config(**keys), link)


def modbus_axis(link: Link, **changes: Any) -> ModbusAxis:
    """The carriage on the drive."""
    return ModbusAxis.create("stage", ModbusAxis.Config(**{**AXIS, **changes}), link)


def modbus_ring(link: Link, **changes: Any) -> ModbusRotary:
    """The focus ring's drive, behind the carriage's on the line."""
    return ModbusRotary.create("focus", ModbusRotary.Config(**{**RING, **changes}), link)
