"""The magnification from wall to target by a known way on the wall, seen in the camera's picture beside the square:
that between two marks, or the pitch of one strip of bars.

Both are on one wall: m = pitch of the target / (the known way / the same in sides of the square). No tape is held. The
camera's distance and turn do not enter; what its lens distorts does, as marks and strip stand at the picture's edge and
the square in its middle. Nor does blur, but a target out of focus is seen smaller or larger, by its way over its
distance from the lens's pupil.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import fmean
from typing import TYPE_CHECKING, Any, Literal

from benchd.arrangements.wall import OUT_OF_FOCUS, Wall
from benchd.bench.requests import no_lens
from benchd.detectors.detector import AUTO
from benchd.errors import Refused
from benchd.files.artefacts import Lens
from benchd.files.bench_file import Target

if TYPE_CHECKING:
    from benchd.arrangements.arrangement import Arrangement
    from benchd.arrangements.setup_document import SetupDocument
    from benchd.bench.bench import Bench
    from benchd.metrology.chain_term import ChainTerm

Kind = Literal["marks", "pitch"]
"""Two marks, or one strip of bars."""

OUT_OF_FOCUS_UM = 20.0
"""How far from best focus a lens that is checked stands at nominal, as a standard uncertainty (within 35 um,
rectangular): common practice, no source."""

PUPIL = 1.3 / math.sqrt(3.0)
"""Root mean square of the focal length over the exit pupil's distance from the target: their quotient is anywhere
between 0, of a telecentric lens, and 1.3, of a long lens built short (common practice, no source), rectangular."""

NEAR_NOMINAL_UM = 10.0
"""m is told where the chain says that focus is, and not farther from it than this."""


@dataclass(frozen=True, slots=True)
class WallMarks:
    """The known way on the wall and its standard uncertainty, that between two marks or a strip's pitch, and the
    relative one of the camera lens's distortion."""

    by: Kind
    known_mm: float
    u_known_mm: float
    u_distortion: float


def marks_of(arrangement: Arrangement) -> WallMarks | None:
    """Marks or strip, as the bench file states them; None without."""
    config = arrangement.config
    if not isinstance(config, Wall.Config) or config.u_distortion is None:
        return None
    if config.marks_apart_mm is not None and config.u_marks_apart_mm is not None:
        return WallMarks("marks", config.marks_apart_mm, config.u_marks_apart_mm, config.u_distortion)
    if config.mark_pitch_mm is not None and config.u_mark_pitch_mm is not None:
        return WallMarks("pitch", config.mark_pitch_mm, config.u_mark_pitch_mm, config.u_distortion)
    return None


def require_marks(arrangement: Arrangement) -> WallMarks:
    """The same. Raises Refused('bad_request')."""
    found = marks_of(arrangement)
    if found is None:
        raise Refused(
            "bad_request",
            "The bench file states no marks on the wall.",
            advice="Stick two dark round marks on the wall, and state how far apart: `arrangement: {kind: wall, "
            "marks_apart_mm: 220.0, u_marks_apart_mm: 0.1, u_distortion: 0.003}`; or a strip of dark bars, and state "
            "its pitch: `mark_pitch_mm: 10.0, u_mark_pitch_mm: 0.006`.",
        )
    return found


def common_u_rel(target: Target, marks: WallMarks) -> float:
    """The relative u that every m by the same marks and target shares: of the target's pitch, and of the rule."""
    return math.hypot(target.u_pitch_mm / target.pitch_mm, marks.u_known_mm / marks.known_mm)


def shared_u_rel(target: Target, marks: WallMarks, alike: bool) -> float:
    """The same of two m's, with the camera's distortion where marks look alike in both."""
    return math.hypot(common_u_rel(target, marks), marks.u_distortion if alike else 0.0)


def out_of_focus_u_rel(lens: Lens, u_nominal_um: float) -> float:
    """The relative u of m, as the lens is not at best focus where m is told: it is beside nominal, and nominal itself
    is no better known than the chain has it, which before the zero is calibrated is the most of it."""
    return PUPIL * math.hypot(OUT_OF_FOCUS_UM, u_nominal_um) / (1000.0 * lens.focal_length_mm.value)


def found_out_of_focus_u_rel(generic_u_rel: float, lens: Lens, offsets_um: Sequence[float]) -> float:
    """The same once best focus is known to lie so far beside nominal, where m was told: root mean square of several."""
    per_um = PUPIL / (1000.0 * lens.focal_length_mm.value)
    beside2 = fmean(offset_um**2 for offset_um in offsets_um) - OUT_OF_FOCUS_UM**2
    return math.sqrt(max(0.0, generic_u_rel**2 + per_um**2 * beside2))


def as_found(
    terms: Iterable[ChainTerm], setup: SetupDocument, lens: Lens | None, offset_um: float, run: str
) -> list[ChainTerm]:
    """Lines of the chain for a lens whose best focus was found there: how far out of focus m was told is known then.

    An m that was told in another run than this one may have been told with the lens standing otherwise: it is no surer
    for where best focus is now.
    """
    m = setup.m
    if lens is None or m is None or not m.u_out_of_focus:
        return list(terms)
    generic = m.u_out_of_focus / m.value
    times = found_out_of_focus_u_rel(generic, lens, [offset_um]) / generic
    if m.told_in != run:
        times = max(1.0, times)
    return [_with_part(term, times) if term.term == "conjugate" else term for term in terms]


def _with_part(term: ChainTerm, times: float) -> ChainTerm:
    """Fewer or more of it; degrees of freedom as those of the parts that stay (JCGM 100, G.4.1)."""
    parts = tuple(replace(part, u=times * part.u) if part.name == OUT_OF_FOCUS else part for part in term.parts)
    u_um = math.hypot(*(part.u for part in parts))
    dof = None if term.dof is None else term.dof * (u_um / term.u_um) ** 4
    return replace(term, u_um=u_um, dof=dof, parts=parts)


SEEN_REL: Mapping[Kind, float] = {"marks": 3e-5, "pitch": 1.3e-4}
"""How well a few pictures show the way on the wall in sides of the square, relative: of a sharp picture with marks 500
pixels apart, and of a strip of 17 bars that stand .02 mm off their places of 10 (own study, tests/imaging/test_marks.py
and test_strip.py)."""


def expected(target: Target, marks: WallMarks, lens: Lens | None, u_nominal_um: float) -> tuple[float, str]:
    """The relative u that m by these marks will have where nominal is known so well, and what most of it comes of."""
    parts = {
        "the rule": marks.u_known_mm / marks.known_mm,
        "the target's pitch": target.u_pitch_mm / target.pitch_mm,
        "the camera's distortion": marks.u_distortion,
        "where the lens stands beside focus": 0.0 if lens is None else out_of_focus_u_rel(lens, u_nominal_um),
        "the pictures": SEEN_REL[marks.by],
    }
    return math.hypot(*parts.values()), max(parts, key=lambda name: parts[name])


def nothing_of_the_wall() -> Refused:
    """The refusal while nominal is that of light from infinity: half a millimetre off, m is a hundredth off."""
    return Refused(
        "bad_request",
        "Neither distance nor m of the wall is stated: nominal is not where the wall's image is, and out of focus the "
        "square is seen larger or smaller.",
        advice="State distance_mm by tape, go to nominal, then ask again.",
    )


async def _require_at_nominal(bench: Bench) -> Lens:
    """The lens. Raises Refused (not_homed, not_driven, bad_request) anywhere but where its best focus is expected."""
    bench.trust.require()
    bench.setup.require_driven()
    document = bench.setup.document
    name = document.lens
    if name is None:
        raise no_lens()
    if document.distance_mm is None and document.m is None:
        raise nothing_of_the_wall()
    nominal_um = bench.nominal_target() - bench.setup.document.trim_um
    away_um = (await bench.carriage.read()).value - nominal_um
    if abs(away_um) > NEAR_NOMINAL_UM:
        raise Refused(
            "bad_request",
            f"The carriage stands {away_um:+.0f} µm from nominal: out of focus the square is seen larger or smaller.",
            advice="Take the trim back, go to nominal, then ask again.",
        )
    return bench.loaded.records.lens(name)


async def magnification(bench: Bench, pictures: int, run: str | None = None) -> dict[str, Any]:
    """m and its standard uncertainty, by so many pictures at nominal, told in that run. Raises Refused, BenchdError."""
    marks = require_marks(bench.setup.arrangement)
    lens = await _require_at_nominal(bench)
    detector = bench.detectors.chosen(AUTO, None).detector
    seen = await (detector.marks(pictures) if marks.by == "marks" else detector.strip(pictures))
    in_sides, u_seen, across_px = seen
    value = bench.file.target.pitch_mm * in_sides / marks.known_mm
    common = common_u_rel(bench.file.target, marks)
    beside = out_of_focus_u_rel(lens, bench.setup.chain.u_um)
    u_rel = math.hypot(u_seen, common, marks.u_distortion, beside)
    found = {"value": value, "u": value * u_rel, "by": marks.by, "across_px": round(across_px, 1)}
    return {**found, "u_out_of_focus": value * beside, "told_in": run}
