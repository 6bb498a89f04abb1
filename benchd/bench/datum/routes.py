"""Which calibrations carry the seat: base and adapters one by one, or the zero found on the adapters' own seat.

A zero on the seat has no adapter line and, as long as the adapters have not been taken off since, no joint but the
lens's. Each route is a list of lengths that are added up; the chain goes by the one that makes it surer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchd.bench.datum.chain_terms import CalibrationInForce, Length, adapter_length, base_length
from benchd.files.artefacts import Adapter
from benchd.files.bench_file import BenchFile

APART = 3.0
"""Standard uncertainties that two routes may lie apart by; beyond, one is wrong (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Rod:
    """A part that grows with temperature: its name, length (um), coefficient (1/K), and where that length holds (C)."""

    name: str
    length_um: float
    alpha_per_K: float
    at_C: float


@dataclass(frozen=True, slots=True)
class Route:
    """One way to count from the base face, or the seat, to the target at carriage reading 0.

    `base` and `adapters` are the lengths; `joints` the mated pairs of the adapters that no calibration holds; `rods`
    what grows; `seats` the adapters whose seat the lens rests on otherwise than the gauge did; `zero_at_um` the
    carriage reading at which the zero was found.
    """

    base: Length
    adapters: tuple[Length, ...]
    joints: int
    rods: tuple[Rod, ...]
    seats: tuple[Adapter, ...]
    zero_at_um: float
    note: str = ""

    @property
    def length_um(self) -> float:
        """All lengths together."""
        return self.base.length_um + sum(part.length_um for part in self.adapters)

    @property
    def u_um(self) -> float:
        """Their standard uncertainty, without joints."""
        return math.hypot(self.base.u_um, *(part.u_um for part in self.adapters))


def seat_artefact(bench_file: BenchFile, adapters: Sequence[str]) -> str:
    """The artefact under which the zero on the seat of these adapters is kept."""
    return ".".join((bench_file.base.calibration, *adapters))


def by_parts(
    bench_file: BenchFile, adapters: Sequence[Adapter], calibrations: Mapping[str, CalibrationInForce]
) -> Route:
    """Base and adapters, each by its calibration, else as given."""
    zero = calibrations.get(bench_file.base.calibration)
    base = base_length(bench_file, zero)
    parts = tuple(adapter_length(one, calibrations.get(one.id)) for one in adapters)
    return Route(
        base=base,
        adapters=parts,
        joints=len(parts),
        rods=tuple(Rod(part.term, part.length_um, part.alpha_per_K, part.at_C) for part in (base, *parts)),
        seats=tuple(adapters),
        zero_at_um=(zero.carriage_um or 0.0) if zero else 0.0,
    )


def by_seat(
    bench_file: BenchFile,
    adapters: Sequence[Adapter],
    calibrations: Mapping[str, CalibrationInForce],
    stand_since: int,
) -> Route | None:
    """The zero on the seat of exactly these adapters; None without its calibration.

    `stand_since` is the revision of the set-up from which on they have stood. If they were taken off after the
    calibration, each of their joints is made anew: what it was then is in the length, what it is now is not.
    """
    names = [one.id for one in adapters]
    zero = calibrations.get(seat_artefact(bench_file, names)) if names else None
    if zero is None:
        return None
    given = bench_file.base
    above_um = sum(one.given.length_um for one in adapters)
    seat = " + ".join(names)
    length = Length(
        f"seat {seat}", zero.value, zero.u, zero.dof, zero.at_C, given.alpha_per_K, zero.id, True,
        zero.carriage_um, zero.shares,
    )  # fmt: skip
    stayed = zero.setup is not None and zero.setup >= stand_since
    since = f"since {zero.id} was found on its seat"
    return Route(
        base=length,
        adapters=(),
        joints=0 if stayed else 2 * len(names),
        rods=(
            Rod("base", zero.value - above_um, given.alpha_per_K, zero.at_C),
            *(Rod(f"adapter {one.id}", one.given.length_um, one.material.alpha_per_K, zero.at_C) for one in adapters),
        ),
        seats=tuple(adapters[-1:]),
        zero_at_um=zero.carriage_um or 0.0,
        note=f"{seat} has not been taken off {since}, by the set-ups since." if stayed
        else f"{seat} was taken off {since}: its joint counts twice, as it was then and as it is now.",
    )  # fmt: skip


def apart(parts: Route, seat: Route, u_joint_um: float) -> str | None:
    """A clause if the two routes contradict each other; None if not. `u_joint_um` is that of one mated pair.

    The joints of the adapters are in the zero on the seat as they were then, and in the lengths of the parts not at
    all.
    """
    difference = parts.length_um - seat.length_um
    u_um = math.hypot(parts.u_um, seat.u_um, u_joint_um * math.sqrt(parts.joints))
    if abs(difference) <= APART * u_um:
        return None
    return f"the zero on the seat and that of base and adapters are {abs(difference):.1f} µm apart (u = {u_um:.1f})"
