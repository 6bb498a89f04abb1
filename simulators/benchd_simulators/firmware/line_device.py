"""Counter, indicator, dial, photodiodes, inputs and meters of the room: a text line in, a text line back."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from benchd_simulators.firmware.machine import Machine

LONGEST = 64
ENDINGS = b"\r\n"


class LineDevice:
    """Answers each known question with what its function says, any other line with ERR, an empty one not at all."""

    def __init__(self, answers: Mapping[str, Callable[[], str]], say: Callable[[str], None]) -> None:
        self._answers = answers
        self._say = say
        self._line = bytearray()

    def feed(self, data: bytes) -> None:
        for byte in data:
            if byte not in ENDINGS:
                if len(self._line) <= LONGEST:
                    self._line.append(byte)
                continue
            question = self._line.decode("ascii", "replace").strip()
            self._line.clear()
            if question:
                answer = self._answers.get(question)
                self._say("ERR" if answer is None else answer())


def counter_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`P?` the position in um, `Z?` whether the reference mark has been passed since power-up."""
    return {
        "P?": lambda: f"P={machine.encoder_um():+010.2f}",
        "Z?": lambda: f"Z={int(machine.encoder_reference_seen)}",
    }


def dial_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`R?` the reading in um."""
    return {"R?": lambda: f"R={machine.dial_um():+07.1f}"}


def indicator_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`R?` the reading in um."""
    return {"R?": lambda: f"R={machine.indicator_um():+07.1f}"}


def diode_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`V?` the photodiode behind the slit."""
    return {"V?": lambda: f"V={machine.photodiode.volts():+.6f}"}


def reference_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`V?` the photodiode beside the lamp."""
    return {"V?": lambda: f"V={machine.photodiode.reference_volts():+.6f}"}


def room_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`T?` the room's temperature in degC, `D?` the wall's distance in mm, `A?` how the bench leans in arcmin."""
    meters = machine.room_meters
    if meters is None:
        return {}
    return {
        "T?": lambda: f"T={meters.temperature_C():+.2f}",
        "D?": lambda: f"D={meters.base_to_wall_mm():.1f}",
        "A?": lambda: f"A={meters.lean_arcmin():+.1f}",
    }


def inputs_answers(machine: Machine) -> dict[str, Callable[[], str]]:
    """`E?` whether the circuit of the emergency stop is closed, `H?` that of the door for hands."""
    return {
        "E?": lambda: f"E={int(machine.circuit_closed('emergency_stop'))}",
        "H?": lambda: f"H={int(machine.circuit_closed('hands_in'))}",
    }
