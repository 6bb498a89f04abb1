"""Rings of the lens that motors turn: each is a nut with play between two stops, a thousandth of the board's unit what
an um is to the carriage."""

from __future__ import annotations

from collections.abc import Callable

from benchd_simulators.world.carriage import Carriage
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.hardware import CarriageRecord, Quantity, TurnedRecord
from benchd_simulators.world.motor import Motor


class Turned:
    """One ring with its motor and switches; `place_deg` is where it truly stands."""

    def __init__(self, name: str, record: TurnedRecord, draws: Draws, now: Callable[[], float]) -> None:
        self.letter = record.letter
        self._per_deg = 1000 / record.deg_per_unit
        self.motor = Motor(record.acceleration_deg_s2 * self._per_deg, now)
        self._ring = Carriage(_as_nut(record, self._per_deg), self.motor, draws, now, name)

    @property
    def place_deg(self) -> float:
        return self._ring.um() / self._per_deg

    @property
    def limit_switch(self) -> bool:
        return self._ring.switch()

    @property
    def end_switch(self) -> bool:
        return self._ring.end_switch()

    @property
    def switches_off_um(self) -> float:
        return self._ring.switches_off_um()


def _as_nut(record: TurnedRecord, per_deg: float) -> CarriageRecord:
    low, high = record.stops_deg
    first, last = record.starts_deg
    return CarriageRecord(
        acceleration_um_s2=per_deg * record.acceleration_deg_s2,
        pull_out_um_s=per_deg * record.pull_out_deg_s,
        stops_um=[per_deg * low, per_deg * high],
        home_switch_um=per_deg * record.home_switch_deg,
        switch_scatter_um=per_deg * record.switch_scatter_deg,
        switch_hysteresis_um=0.5 * per_deg,
        end_switch_um=per_deg * record.end_switch_deg,
        starts_um=[per_deg * first, per_deg * last],
        pitch_um=360 * per_deg,
        periodic_um=0.0,
        cumulative=Quantity(record=0.0, u=0.0),
        backlash_um=per_deg * record.play_deg,
        alpha_per_K=0.0,
        ring_down_um=0.0,
        ring_down_s=1.0,
        ring_down_hz=0.0,
    )
