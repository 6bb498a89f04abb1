"""What a bench is bounded by and not measured for: sag, a carriage that tips, seats that are not plane or not clean.

Each line comes from a bound that the files state. Where one does not, its term stands without an uncertainty and the
notes name what to write: nothing is made up for it, and nothing is taken for perfect unsaid.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchd.bench.datum.chain_terms import Length
from benchd.files.artefacts import Adapter, Lens
from benchd.files.bench_file import BenchFile
from benchd.metrology.budget import standard_u
from benchd.metrology.chain_term import ChainTerm, UnmeasuredTerm

G_M_S2 = 9.80665
"""Standard acceleration of free fall (3rd CGPM, 1901)."""

MOST_OF_TOLERANCE = 0.1
"""What may be lost to a sag that is only bounded: beyond this share of the tolerance there is no verdict (own rule)."""

ALIKE_WITHIN_UM = 2000.0
"""Over this a carriage begins to tip otherwise (standard deviation of a bell): balls and rollers come round every few
millimetres, and a bearing spans more than that (common practice, no source)."""

_UM_PER_MM_ARCMIN = 1000.0 * math.pi / 180.0 / 60.0


@dataclass(frozen=True, slots=True)
class Bounded:
    """Terms of the chain, in its order, and a phrase with the key to write for each bound that nobody stated."""

    terms: tuple[ChainTerm | UnmeasuredTerm, ...]
    not_stated: tuple[str, ...]
    why_relative: str = ""

    @property
    def value_um(self) -> float:
        """What the terms give to the carriage, all together."""
        return sum(term.value_um for term in self.terms)

    @property
    def lines(self) -> list[ChainTerm]:
        """Those with an uncertainty."""
        return [term for term in self.terms if isinstance(term, ChainTerm)]


def bounded_terms(
    bench_file: BenchFile, lens: Lens | None, adapters: Sequence[Adapter], lengths: Sequence[Length]
) -> Bounded:
    """The bounds of a set-up; `lengths` are those of the adapters, which hold a stand-off where they are calibrated."""
    parts = [
        _stand_off(bench_file, lens, lengths),
        *(_wedge(adapter) for adapter in adapters),
        _sag(bench_file, lens),
    ]
    return together(parts)


def together(parts: Sequence[Bounded]) -> Bounded:
    """Several as one."""
    return Bounded(
        tuple(term for part in parts for term in part.terms),
        tuple(text for part in parts for text in part.not_stated),
        next((part.why_relative for part in parts if part.why_relative), ""),
    )


def notes(bounded: Bounded) -> tuple[str, ...]:
    """One sentence for all that is taken as zero without an uncertainty."""
    if not bounded.not_stated:
        return ()
    return (f"Taken as zero, without an uncertainty, as no bound is stated: {'; '.join(bounded.not_stated)}.",)


def abbe_u_um(bench_file: BenchFile) -> float | None:
    """What the scale, beside the axis, tells wrongly between two places of a carriage that tips; None: not stated.

    The stated pitch and yaw are the most between any two places. A guide tips in waves, and a place on a wave of
    unknown phase is off by half of that as arc sine (JCGM 101, 6.4.6); evenly within all of it either way no difference
    of two places can be, as both would have to stand at opposite ends.
    """
    abbe = bench_file.abbe
    if abbe is None:
        return None
    most = math.hypot(abbe.up_mm * abbe.pitch_arcmin, abbe.side_mm * abbe.yaw_arcmin) * _UM_PER_MM_ARCMIN
    return math.sqrt(2.0) * standard_u(0.5 * most, "arcsine")


Place = tuple[float, float]
"""Which way a reading of the carriage enters, 1 or -1, and the reading, um."""


def tipping_u_um(bench_file: BenchFile, places: Sequence[Place]) -> float | None:
    """What tipping does to a sum of readings of which as many enter one way as the other; None: not stated.

    What the scale tells wrongly is a function of place (JCGM 100, 5.2.2: one input for all who read there). Readings
    near one another share it and cancel or add with their signs. Far apart nothing is known of it but the most
    between any two: each place then has half the variance of such a difference. That is on the safe side but for a
    pair half a wave of the guide apart, as what two places have in common cancels where as many enter one way as the
    other.
    """
    u_um = abbe_u_um(bench_file)
    if u_um is None:
        return None
    return u_um * math.sqrt(0.5 * _variance(places))


def tipping(bench_file: BenchFile, places: Sequence[Place]) -> Bounded:
    """The line of all readings of the carriage by which zero, adapters and place are known together."""
    u_um = tipping_u_um(bench_file, places)
    if u_um is None:
        return _missing("abbe", "pitch and yaw of the carriage beside its scale (`abbe` of the bench)")
    # Several arc sines make something near a triangle; a little on the safe side where places have much in common.
    return Bounded((ChainTerm("abbe", 0.0, u_um, None, "triangular", "bench file"),), ())


def _variance(places: Sequence[Place]) -> float:
    """Of the sum, in units of one place's own."""
    alike = (
        one * other * math.exp(-0.5 * ((here - there) / ALIKE_WITHIN_UM) ** 2)
        for one, here in places
        for other, there in places
    )
    return max(0.0, sum(alike))


def read_at(carriage_um: float, zero_um: float, adapters: Sequence[Length]) -> list[Place]:
    """Every reading of the carriage that a depth rests on: where it stands, where zero was found, and for each adapter
    that was measured on this bench where its upper seat was found and, its length away, the base."""
    measured = [(part.carriage_um, part.length_um) for part in adapters if part.carriage_um is not None]
    return [
        (1.0, carriage_um),
        (-1.0, zero_um),
        *((-1.0, at_um) for at_um, _ in measured),
        *((1.0, at_um + length_um) for at_um, length_um in measured),
    ]


def _stand_off(bench_file: BenchFile, lens: Lens | None, lengths: Sequence[Length]) -> Bounded:
    """Dirt and burrs hold seats apart and never let them sink: half of the bound each, and evenly about that.

    A calibrated adapter was measured standing on its joint, so half the bound is in its length.
    """
    most = bench_file.joint.stand_off_um
    if most is None:
        return _missing("stand-off", "what dirt and burrs may hold seats apart by (`stand_off_um` of `joint`)")
    of_lens = 0 if lens is None else 1
    uncounted = of_lens + sum(1 for length in lengths if not length.calibrated)
    u_um = standard_u(0.5 * most, "rectangular") * math.sqrt(of_lens + len(lengths))
    return Bounded((ChainTerm("stand-off", -0.5 * most * uncounted, u_um, None, "rectangular", "bench file"),), ())


def _wedge(adapter: Adapter) -> Bounded:
    """What rests on a seat finds other points of it than the bridge's feet did, by which its length was found."""
    term, points = f"wedge {adapter.id}", adapter.given.points_um
    if len(points) < 2:
        return _missing(term, f"wedge of adapter {adapter.id} (`points_um` of its record)")
    half_um = 0.5 * (max(points) - min(points))
    u_um = standard_u(half_um, "rectangular")
    return Bounded((ChainTerm(term, 0.0, u_um, None, "rectangular", "points_um in its record"),), ())


def _sag(bench_file: BenchFile, lens: Lens | None) -> Bounded:
    """The seat, pulled away from the base by the lens's weight: half of the bound, and evenly about that."""
    sag = bench_file.sag
    if sag is None:
        return _missing("sag", "sag of the seat under the lens (`sag` of the bench)")
    if lens is None:
        return Bounded((ChainTerm("sag", 0.0, 0.0, None, "rectangular", "no lens"),), ())
    if lens.mass_g is None:
        return _missing("sag", f"sag of the seat under a lens of unknown weight (`mass_g` of {lens.id})")
    most = sag.most_um_per_N * lens.mass_g / 1000.0 * G_M_S2
    u_um = standard_u(0.5 * most, "rectangular")
    term = ChainTerm("sag", -0.5 * most, u_um, None, "rectangular", "bench file, mass of the lens")
    too_much = lens.tolerance is not None and most > MOST_OF_TOLERANCE * lens.tolerance.flange_um
    why = f"the seat may sag by {most:.1f} µm, more than a tenth of the tolerance" if too_much else ""
    return Bounded((term,), (), why)


def _missing(term: str, text: str) -> Bounded:
    return Bounded((UnmeasuredTerm(term, source="not stated"),), (text,))
