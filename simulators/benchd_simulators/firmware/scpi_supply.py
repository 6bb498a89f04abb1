"""A bench supply of one output with an LED string on it: it holds the current that is set, or the voltage, whichever
limits first. Settings are rounded to what its converters can do."""

from __future__ import annotations

from benchd_simulators.firmware.scpi import Answer, Instrument
from benchd_simulators.firmware.scpi_syntax import Refusal, boolean, number

IDENTITY = "HOUSE,SUPPLY-30,SN0042,1.07"
MOST_V, MOST_A = 30.0, 3.0
STEP_V, STEP_A = 0.001, 0.0001
KNEE_V, SLOPE_OHM = 8.4, 2.5
"""Of the LEDs: below the knee nothing flows."""


class Supply:
    """`stuck` keeps the output as it is, whatever is told to it."""

    def __init__(self) -> None:
        self.volts = self.amps = 0.0
        self.on = self.stuck = False
        self.instrument = Instrument(
            IDENTITY,
            {
                "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]": self._set_volts,
                "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?": lambda _: f"{self.volts:.4f}",
                "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]": self._set_amps,
                "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]?": lambda _: f"{self.amps:.4f}",
                "OUTPut[:STATe]": self._switch,
                "OUTPut[:STATe]?": lambda _: str(int(self.on)),
                "MEASure[:SCALar]:CURRent[:DC]?": lambda _: f"{self.flows_A():.5E}",
                "MEASure[:SCALar]:VOLTage[:DC]?": lambda _: f"{self.stands_V():.5E}",
            },
            self.reset,
        )

    def reset(self) -> None:
        """What *RST and power-up leave: nothing set, nothing out."""
        self.volts = self.amps = 0.0
        self.on = False

    def trip(self) -> None:
        """Its protection has put the output out."""
        self.on = False
        self.instrument.put_error(-240)

    def flows_A(self) -> float:
        """The current through the LEDs."""
        return min(self.amps, max(0.0, self.volts - KNEE_V) / SLOPE_OHM) if self.on else 0.0

    def stands_V(self) -> float:
        """The voltage at the output."""
        if not self.on:
            return 0.0
        return min(self.volts, KNEE_V + SLOPE_OHM * self.amps)

    def _set_volts(self, parameters: list[str]) -> Answer:
        self.volts = _set(parameters, "V", MOST_V, STEP_V)
        return None

    def _set_amps(self, parameters: list[str]) -> Answer:
        self.amps = _set(parameters, "A", MOST_A, STEP_A)
        return None

    def _switch(self, parameters: list[str]) -> Answer:
        if not parameters:
            raise Refusal(-109)
        wanted = boolean(parameters[0])
        if not self.stuck:
            self.on = wanted
        return None


def _set(parameters: list[str], letter: str, most: float, step: float) -> float:
    if not parameters:
        raise Refusal(-109)
    if len(parameters) > 1:
        raise Refusal(-108)
    value = number(parameters[0], letter, {"MINIMUM": 0.0, "MAXIMUM": most, "DEFAULT": 0.0})
    if not 0.0 <= value <= most:
        raise Refusal(-222)
    return round(value / step) * step
