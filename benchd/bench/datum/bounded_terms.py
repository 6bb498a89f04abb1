"""Chain terms from stated bounds instead of measurements: sag, tipping of the carriage, uneven or unclean seats.

Each line comes from a bound that the files state. If a bound is not stated, its term has no uncertainty and the notes
name the key to write: no value is invented, and nothing is taken for perfect without saying so.
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
"""A sag bound larger than this share of the tolerance makes findings relative, without a verdict (own rule)."""

ALIKE_WITHIN_UM = 2000.0
"""Distance over which tipping decorrelates (standard deviation of a bell curve): balls and rollers come round every few
millimetres, and a bearing spans more than that (common practice, no source)."""

_UM_PER_MM_ARCMIN = 1000.0 * math.pi / 180.0 / 60.0


@dataclass(frozen=True, slots=True)
class Bounded:
    """Terms of the chain, in its order, and a phrase with the key to write for each bound that is not stated."""

    terms: tuple[ChainTerm | UnmeasuredTerm, ...]
    not_stated: tuple[str, ...]
    why_relative: str = ""

    @property
    def value_um(self) -> float:
        """The sum of the terms."""
        return sum(term.value_um for term in self.terms)

    @property
    def lines(self) -> list[ChainTerm]:
        """The terms with an uncertainty."""
        return [term for term in self.terms if isinstance(term, ChainTerm)]


def bounded_terms(
    bench_file: BenchFile, lens: Lens | None, adapters: Sequence[Adapter], lengths: Sequence[Length], joints: int
) -> Bounded:
    """The bounds of a set-up; `lengths` are those of the adapters, which include a stand-off if calibrated.

    `joints` is the number of mated pairs that count, the lens's among them."""
    parts = [
        _stand_off(bench_file, lens, lengths, joints),
        *(_wedge(adapter) for adapter in adapters),
        _sag(bench_file, lens),
    ]
    return combined(parts)


def combined(parts: Sequence[Bounded]) -> Bounded:
    """Several combined into one."""
    return Bounded(
        tuple(term for part in parts for term in part.terms),
        tuple(text for part in parts for text in part.not_stated),
        next((part.why_relative for part in parts if part.why_relative), ""),
    )


def notes(bounded: Bounded) -> tuple[str, ...]:
    """One sentence for all terms taken as zero without an uncertainty."""
    if not bounded.not_stated:
        return ()
    return (f"Taken as zero, without an uncertainty, as no bound is stated: {'; '.join(bounded.not_stated)}.",)


def abbe_u_um(bench_file: BenchFile) -> float | None:
    """Standard uncertainty of the Abbe error between two positions, by pitch and yaw; None if they are not stated.

    The stated pitch and yaw are the largest between any two positions. A guide tips in waves, and a position at unknown
    phase of a wave is off by half of that, arc sine distributed (JCGM 101, 6.4.6); a rectangular distribution over the
    whole would need both positions at opposite extremes.
    """
    abbe = bench_file.abbe
    if abbe is None:
        return None
    most = math.hypot(abbe.up_mm * abbe.pitch_arcmin, abbe.side_mm * abbe.yaw_arcmin) * _UM_PER_MM_ARCMIN
    return math.sqrt(2.0) * standard_u(0.5 * most, "arcsine")


Place = tuple[float, float]
"""The sign with which a carriage reading enters, 1 or -1, and the reading, um."""


def tipping_u_um(bench_file: BenchFile, places: Sequence[Place]) -> float | None:
    """Uncertainty by tipping of a sum of readings, equally many of each sign; None if not stated.

    The error of the scale is a function of position (JCGM 100, 5.2.2: one input for all readings there). Readings near
    one another share it, so it cancels or adds by their signs. Far apart only the largest difference between any two
    is known: each position then has half the variance of such a difference. That is on the safe side except for a pair
    half a wave of the guide apart, as what two positions have in common cancels between equally many of each sign.
    """
    u_um = abbe_u_um(bench_file)
    if u_um is None:
        return None
    return u_um * math.sqrt(0.5 * _variance(places))


def tipping_term(bench_file: BenchFile, places: Sequence[Place]) -> Bounded:
    """The line for all carriage readings on which zero, adapters and present position rest."""
    u_um = tipping_u_um(bench_file, places)
    if u_um is None:
        return _missing("abbe", "pitch and yaw of the carriage beside its scale (`abbe` of the bench)")
    # Several arc sines add to nearly a triangle; slightly on the safe side if positions are strongly correlated.
    return Bounded((ChainTerm("abbe", 0.0, u_um, None, "triangular", "bench file"),), ())


def _variance(places: Sequence[Place]) -> float:
    """Variance of the sum, in units of one position's own."""
    alike = (
        sign * other_sign * math.exp(-0.5 * ((here - there) / ALIKE_WITHIN_UM) ** 2)
        for sign, here in places
        for other_sign, there in places
    )
    return max(0.0, sum(alike))


def carriage_readings(carriage_um: float, zero_um: float, adapters: Sequence[Length]) -> list[Place]:
    """Every carriage reading that a depth rests on, with its sign: the present position, that of the zero, and for each
    adapter measured on this bench that of its upper seat and, one adapter length away, that of the base."""
    measured = [(part.carriage_um, part.length_um) for part in adapters if part.carriage_um is not None]
    return [
        (1.0, carriage_um),
        (-1.0, zero_um),
        *((-1.0, at_um) for at_um, _ in measured),
        *((1.0, at_um + length_um) for at_um, length_um in measured),
    ]


def _stand_off(bench_file: BenchFile, lens: Lens | None, lengths: Sequence[Length], joints: int) -> Bounded:
    """Dirt and burrs only hold seats apart: half of the bound per joint, rectangular about that.

    A calibrated adapter was measured on its joint, so half the bound is in its length already; so it is in a zero on
    the adapters' seat, where a joint that was made anew counts as it was then and as it is now.
    """
    most = bench_file.joint.stand_off_um
    if most is None:
        return _missing("stand-off", "what dirt and burrs may hold seats apart by (`stand_off_um` of `joint`)")
    of_lens = 0 if lens is None else 1
    uncounted = of_lens + sum(1 for length in lengths if not length.calibrated)
    u_um = standard_u(0.5 * most, "rectangular") * math.sqrt(joints)
    return Bounded((ChainTerm("stand-off", -0.5 * most * uncounted, u_um, None, "rectangular", "bench file"),), ())


def _wedge(adapter: Adapter) -> Bounded:
    """A lens rests on other points of the seat than the feet of the bridge that its length was measured with."""
    term, points = f"wedge {adapter.id}", adapter.given.points_um
    if len(points) < 2:
        return _missing(term, f"wedge of adapter {adapter.id} (`points_um` of its record)")
    half_um = 0.5 * (max(points) - min(points))
    u_um = standard_u(half_um, "rectangular")
    return Bounded((ChainTerm(term, 0.0, u_um, None, "rectangular", "points_um in its record"),), ())


def _sag(bench_file: BenchFile, lens: Lens | None) -> Bounded:
    """Sag of the seat under the lens's weight: half of the bound, rectangular about that."""
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
