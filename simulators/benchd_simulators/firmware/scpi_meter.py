"""A bench multimeter: volts and ohms by ranges, integrating over mains periods; readings as text or as blocks."""

from __future__ import annotations

import math
import struct

from benchd_simulators.firmware.scpi import Answer, Instrument
from benchd_simulators.firmware.scpi_syntax import Refusal, block, number

IDENTITY = "HOUSE,METER-6,SN1187,2.31"
RANGES = {"VOLT": (0.1, 1.0, 10.0, 100.0, 1000.0), "RES": (100.0, 1e3, 1e4, 1e5, 1e6)}
OVER_RANGE = 1.2
APERTURES = (0.02, 0.2, 1.0, 10.0, 100.0)
MAINS_HZ = 50.0
INFINITY, NOT_A_NUMBER = 9.9e37, 9.91e37
"""SCPI-1999 volume 1, chapter 7."""
NAMED = {"MINIMUM": 0.0, "MAXIMUM": math.inf, "DEFAULT": 10.0}


class Meter:
    """`signal` is what is at its clamps, in the unit of the function; None is a value that it cannot tell."""

    def __init__(self) -> None:
        self.signal: float | None = 1.25
        self._noise = 0
        self.reset()
        self.instrument = Instrument(
            IDENTITY,
            {
                "CONFigure[:SCALar]:VOLTage[:DC]": lambda parameters: self._configure("VOLT", parameters),
                "CONFigure[:SCALar]:RESistance": lambda parameters: self._configure("RES", parameters),
                "MEASure[:SCALar]:VOLTage[:DC]?": lambda parameters: self._measure("VOLT", parameters),
                "MEASure[:SCALar]:RESistance?": lambda parameters: self._measure("RES", parameters),
                "READ?": lambda _: self._read(),
                "[SENSe:]FUNCtion[:ON]?": lambda _: f'"{self.function}"',
                "[SENSe:]VOLTage[:DC]:RANGe[:UPPer]?": lambda _: self._told_range("VOLT"),
                "[SENSe:]RESistance:RANGe[:UPPer]?": lambda _: self._told_range("RES"),
                "[SENSe:]VOLTage[:DC]:RANGe:AUTO?": lambda _: str(int(self.auto)),
                "[SENSe:]RESistance:RANGe:AUTO?": lambda _: str(int(self.auto)),
                "[SENSe:]VOLTage[:DC]:NPLCycles": self._set_aperture,
                "[SENSe:]RESistance:NPLCycles": self._set_aperture,
                "[SENSe:]VOLTage[:DC]:NPLCycles?": lambda _: f"{self.periods:+.8E}",
                "[SENSe:]RESistance:NPLCycles?": lambda _: f"{self.periods:+.8E}",
                "SAMPle:COUNt": self._set_samples,
                "SAMPle:COUNt?": lambda _: f"{self.samples:+d}",
                "FORMat[:DATA]": self._set_format,
                "FORMat[:DATA]?": lambda _: "ASC" if self.bits == 0 else f"REAL,{self.bits}",
                "FORMat:BORDer": self._set_order,
                "FORMat:BORDer?": lambda _: "SWAP" if self.swapped else "NORM",
            },
            self.reset,
        )

    def reset(self) -> None:
        """Volts, automatic range, ten periods, one reading, as text."""
        self.function, self.range, self.auto = "VOLT", 10.0, True
        self.periods, self.samples, self.bits, self.swapped = 10.0, 1, 0, False

    def _configure(self, function: str, parameters: list[str]) -> Answer:
        ranges = RANGES[function]
        auto = not parameters or parameters[0].upper() in ("AUTO", "DEF", "DEFAULT")
        if auto:
            chosen = ranges[len(ranges) // 2]
        else:
            wanted = number(parameters[0], "V" if function == "VOLT" else "OHM", NAMED)
            if not 0.0 <= wanted <= ranges[-1]:
                raise Refusal(-222)
            chosen = next(one for one in ranges if one >= wanted)
        self.function, self.range, self.auto = function, chosen, auto
        self.periods, self.samples = 10.0, 1
        return None

    def _measure(self, function: str, parameters: list[str]) -> Answer:
        self._configure(function, parameters)
        return self._read()

    def _told_range(self, function: str) -> Answer:
        if function != self.function:
            raise Refusal(-221)
        return f"{self.range:+.8E}"

    def _set_aperture(self, parameters: list[str]) -> Answer:
        if not parameters:
            raise Refusal(-109)
        wanted = number(parameters[0], "", {})
        if not 0.0 < wanted <= APERTURES[-1]:
            raise Refusal(-222)
        self.periods = next(one for one in APERTURES if one >= wanted)
        return None

    def _set_samples(self, parameters: list[str]) -> Answer:
        if not parameters:
            raise Refusal(-109)
        wanted = number(parameters[0], "", {})
        if not 1 <= wanted <= 5000:
            raise Refusal(-222)
        self.samples = round(wanted)
        return None

    def _set_format(self, parameters: list[str]) -> Answer:
        kind = parameters[0].upper() if parameters else ""
        if kind in ("ASC", "ASCII"):
            self.bits = 0
        elif kind == "REAL" and (parameters[1:] or ["64"])[0] in ("32", "64"):
            self.bits = int((parameters[1:] or ["64"])[0])
        else:
            raise Refusal(-104 if parameters else -109)
        return None

    def _set_order(self, parameters: list[str]) -> Answer:
        if not parameters:
            raise Refusal(-109)
        if parameters[0].upper() not in ("NORM", "NORMAL", "SWAP", "SWAPPED"):
            raise Refusal(-104)
        self.swapped = parameters[0].upper().startswith("SWAP")
        return None

    def _one(self) -> float:
        """A reading; successive ones differ by some millionths of the range, in a fixed order."""
        if self.signal is None:
            return NOT_A_NUMBER
        ranges = RANGES[self.function]
        within = next((one for one in ranges if abs(self.signal) <= OVER_RANGE * one), None)
        if self.auto and within is not None:
            self.range = within
        if abs(self.signal) > OVER_RANGE * self.range:
            return math.copysign(INFINITY, self.signal)
        self._noise = (self._noise * 5 + 3) % 16
        return self.signal + (self._noise - 7.5) * 1e-7 * self.range

    def _read(self) -> Answer:
        self.instrument.busy_s = self.periods / MAINS_HZ * self.samples
        values = [self._one() for _ in range(self.samples)]
        if not self.bits:
            return ",".join(f"{value:+.8E}" for value in values)
        return block(
            struct.pack(f"{'<' if self.swapped else '>'}{len(values)}{'f' if self.bits == 32 else 'd'}", *values)
        )
