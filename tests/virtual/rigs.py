"""The simulated hardware with cables in memory: with its camera, or with a photodiode that tells curves."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from benchd_simulators.firmware.dmx import DmxRig
from benchd_simulators.firmware.line_device import LineDevice
from benchd_simulators.firmware.rig import Cable, Rig
from benchd_simulators.world.world import World
from tests.virtual.ends.camera_end import MemoryCamera
from tests.virtual.ends.serial_end import MemoryPort

LP_MM = 40.0
"""Of the grating in front of the photodiode."""
FULL_V, NOISE_V = 2.0, 0.004


class VirtualRig(Rig):
    """What stands on the bench of `configs/workshop`."""

    port = MemoryPort
    network_camera = MemoryCamera
    camera: MemoryCamera


class DmxVirtualRig(VirtualRig, DmxRig):
    """What stands on the bench of `configs/workshop-dmx`."""


class CurvesRig(VirtualRig):
    """Beside it a photodiode behind a grating: `A?` is answered by the contrast of the image as the world has it."""

    def __init__(self, machine: World, folder: Path, **more: Any) -> None:
        super().__init__(machine, folder, **more)
        cable = Cable(folder / "diode", more["journal"], seed=more["seed"], port=type(self).port)
        cable.feed = LineDevice({"A?": lambda: f"A={self._volts():.6f}"}, cable.say).feed
        self.cables["diode"] = cable
        self._world = machine
        self._noise = machine.draws.rng("diode")

    def _volts(self) -> float:
        level, swing = self._world.lamp.level, 0.0
        if level > 0.0 and (optic := self._world.optic()) is not None:
            contrast = optic.modulation(LP_MM, np.array([self._world.depth_um()]))
            swing = FULL_V * level * float(contrast[0])
        return swing + NOISE_V * float(self._noise.standard_normal())


def with_switches(doc: Any) -> None:
    """The bench file of a bench with an emergency stop and a door for hands, as in configs/workshop-collimated."""
    board = doc["links"]["board_line"]
    doc["links"]["inputs_line"] = {**board, "port": str(Path(board["port"]).with_name("inputs"))}
    for name, letter, role in (("stop_button", "E", "emergency_stop"), ("door", "H", "hands_in")):
        doc["devices"][name] = {
            "driver": "line",
            "link": "inputs_line",
            "ask": f"{letter}?",
            "pattern": f"^{letter}=([01])$",
            "quantity": "switch",
            "contacts": "normally_closed",
        }
        doc["roles"][role] = name


def with_diode(doc: Any) -> None:
    """The bench file of a bench that reads its sharpness from the photodiode, and takes no pictures."""
    doc["links"]["diode_line"] = {"kind": "serial", "port": "run/diode", "baud": 115200}
    doc["devices"]["diode"] = {
        "driver": "line",
        "link": "diode_line",
        "ask": "A?",
        "pattern": "^A=([-+0-9.]+)$",
        "quantity": "swing",
        "unit": "V",
    }
    doc["roles"]["detector"] = "diode"
    doc["detectors"] = {"chopper": {"lp_mm": LP_MM, "u_lp_mm": 0.01, "readings": 4}}
