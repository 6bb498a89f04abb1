"""What a mated pair of seats adds, from best focus over seatings of lenses by people: pure numbers.

u^2 = EV^2 + INT^2 + AV^2, by the analysis of variance, less what the sweeps themselves scatter by.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any

import numpy as np

from benchd.assessments.finding import Finding
from benchd.assessments.lines import as_budget, as_value
from benchd.errors import Refused
from benchd.metrology.budget import Expanded, Term
from benchd.metrology.distribution import ErrorDistribution, coverage_factor
from benchd.metrology.gauge_study import GaugeStudy, Variance, gauge_study
from benchd.metrology.rounding import truncated_dof

FEW_DOF = 5.0
"""Degrees of freedom below which a note says how to have more."""

MOST_TAKEN_OFF = 0.5
"""Share of the repeatability's variance that the sweeps' own scatter may have for it to be taken off: of a difference
of two alike hardly anything is known (own rule, on the safe side)."""

TREND_BELOW = 0.05
"""Probability below which a drift over the study is told of."""

SEAT = "The joint between lens and seat was made anew; every other mated pair of the chain is taken to be like it."
DIRT = (
    "What dirt held the seats apart by is in it, as far as it changed from seating to seating, and stands in the line "
    "stand-off as well: that is on the safe side."
)
ONE_PERSON = (
    "One person seated them all: what other hands would add is not in it. Name all who seat lenses under `people`."
)
ONE_LENS = "Of one lens it cannot be told whether people seat others differently: that is in the line reproducibility."


@dataclass(frozen=True, slots=True)
class Seating:
    """One seating: lens and person, best focus (um, from anywhere that is the same for all of the lens) with its u and
    degrees of freedom, and when (s)."""

    lens: str
    person: str
    focus_um: float
    u_um: float
    dof: float
    at_s: float


@dataclass(frozen=True, slots=True)
class JointInput:
    """`head` are the first keys of the finding; `stand_off`: whether the chain has a line for dirt."""

    head: Mapping[str, Any]
    artefact: str
    measurand: Mapping[str, Any]
    indices: tuple[int, int]
    stand_off: bool
    notes: Sequence[str] = ()


def assess(seatings: Sequence[Seating], given: JointInput) -> Finding:
    """The finding `joint_study`.

    Raises Refused('not_found') for seatings that are not equally many, or all alike to the last digit.
    """
    cells = cells_of(seatings)
    lenses, people = (list(dict.fromkeys(names)) for names in zip(*cells, strict=True))
    study = gauge_study([[[one.focus_um for one in cells[lens, by]] for by in people] for lens in lenses])
    sweeps = _of_sweeps(seatings)
    taken_off = sweeps.value <= MOST_TAKEN_OFF * study.ev.value
    less = Variance({"sweeps": (-sweeps.value, sweeps.dof or math.inf)} if taken_off else {})
    parts = {"repeatability": study.ev + less, "interaction": study.interaction, "reproducibility": study.av}
    total = study.grr + less
    if total.value <= 0.0 or total.dof is None:
        text = "All seatings have the same best focus to the last digit: nothing on this bench is so alike."
        raise Refused("not_found", text, advice="See whether the carriage's scale and the detector tell anything.")
    run = str(given.head["run"])
    terms = [
        Term(name, part.s, "A", part.dof, run) for name, part in parts.items() if part is not None and part.value > 0.0
    ]
    # By Satterthwaite on mean squares: the lines share one, so Welch and Satterthwaite on them would count it twice.
    k = coverage_factor(total.dof)
    joint = Expanded(total.s, total.dof, k, k * total.s, "t", 0.95, ErrorDistribution(total.s, total.dof))
    return Finding.model_validate(
        {
            **given.head,
            "measurand": dict(given.measurand) | {"artefact": given.artefact},
            "absolute": True,
            "values": {
                "joint": as_value(0.0, joint, "um"),
                **{name: _s(part) for name, part in parts.items()},
                "sweep": _s(sweeps),
            },
            "budgets": {"joint": as_budget(terms)},
            "tables": {"variance": _analysis(study), "seatings": _seatings(seatings, cells)},
            "verdict": None,
            "advice": None,
            # Whoever seats a lens several times and takes the mean still seats it in his own way.
            "calibrates": [{"artefact": given.artefact, "value": "joint", "common_u": _of_person(study)}],
            "notes": [
                *given.notes,
                SEAT,
                *([DIRT] if given.stand_off else []),
                *_of_design(len(lenses), len(people), study, total),
                _of_sweeps_scatter(study.ev.s, sweeps.s, taken_off=taken_off),
                *_of_drift(cells),
            ],
            "readings": {"run": run, "indices": list(given.indices)},
            "calibrations": [],
        }
    )


def _of_person(study: GaugeStudy) -> float:
    """What a person does the same way each time, with all lenses or with one."""
    return math.sqrt(sum(part.value for part in (study.av, study.interaction) if part is not None))


Cells = Mapping[tuple[str, str], Sequence[Seating]]


def cells_of(seatings: Sequence[Seating]) -> Cells:
    """The seatings of each lens by each person. Raises Refused('not_found') where they are not equally many."""
    lenses, people = (dict.fromkeys(getattr(one, of) for one in seatings) for of in ("lens", "person"))
    cells = {
        (lens, by): [one for one in seatings if (one.lens, one.person) == (lens, by)]
        for lens in lenses
        for by in people
    }
    counts = {len(cell) for cell in cells.values()}
    if len(counts) > 1:
        told = ", ".join(f"{len(cell)} of {lens} by {by}" for (lens, by), cell in cells.items())
        raise Refused(
            "not_found",
            f"The seatings are not equally many: {told}.",
            advice="Have each person seat each lens as often as the others: run `joint_study`.",
        )
    return cells


def _of_sweeps(seatings: Sequence[Seating]) -> Variance:
    """The mean of the fits' variances, which is what they add to the mean square within cells."""
    n = len(seatings)
    return Variance({str(index): (one.u_um**2 / n, one.dof) for index, one in enumerate(seatings)})


def _s(part: Variance | None) -> dict[str, Any]:
    """A component with what its degrees of freedom make its own u (JCGM 100, E.4.3); null where it cannot be told."""
    if part is None:
        return {"value": None, "unit": "um"}
    return {"value": part.s, "unit": "um", "u": None if part.dof is None else part.s / math.sqrt(2.0 * part.dof)}


def _of_design(lenses: int, people: int, study: GaugeStudy, total: Variance) -> list[str]:
    notes = []
    if people == 1:
        notes.append(ONE_PERSON)
    elif lenses == 1:
        notes.append(ONE_LENS)
    if study.pooled:
        notes.append("People seat all lenses alike, as far as is seen: their interaction is in the repeatability.")
    of_people = study.av is not None and study.av.value > study.ev.value
    if total.dof is not None and total.dof < FEW_DOF:
        notes.append(
            f"This u has {truncated_dof(total.dof)} degrees of freedom, and whatever is counted with it a wide "
            f"interval: {'more people' if of_people else 'more seatings'} make it surer."
        )
    return notes


def _of_sweeps_scatter(ev_um: float, sweeps_um: float, *, taken_off: bool) -> str:
    if taken_off:
        return (
            f"Of a scatter of {ev_um:.2f} \u00b5m within seatings of one kind the sweeps' own {sweeps_um:.2f} is off."
        )
    return (
        f"The sweeps' own scatter, {sweeps_um:.2f} \u00b5m, may be most of the {ev_um:.2f} that seatings of one kind "
        "scatter by: the joint's is not told from zero. Nothing is taken off, so that this is an upper value; more "
        "light or more repeats of a sweep tell better."
    )


def _of_drift(cells: Cells) -> list[str]:
    """A note where best focus goes one way over the study: by a line through all seatings, each cell about its mean."""
    from scipy.special import stdtr

    at_h = np.concatenate([_about_mean([one.at_s / 3600.0 for one in cell]) for cell in cells.values()])
    focus = np.concatenate([_about_mean([one.focus_um for one in cell]) for cell in cells.values()])
    dof = focus.size - len(cells) - 1
    over = float(at_h @ at_h)
    if over <= 0.0:
        return []
    slope = float(at_h @ focus) / over
    left = float(np.sum((focus - slope * at_h) ** 2)) / dof
    p = 2.0 * float(stdtr(dof, -abs(slope) / math.sqrt(left / over))) if left > 0.0 else 0.0
    if p >= TREND_BELOW:
        return []
    return [
        f"Best focus went {'deeper' if slope > 0.0 else 'shallower'} by {abs(slope):.2f} \u00b5m an hour "
        f"(p = {p:.3f}), as on a bench that warms: that is in the repeatability, on the safe side. A study on a bench "
        "that has settled makes it less."
    ]


def _about_mean(values: Sequence[float]) -> np.ndarray:
    return np.asarray(values) - fmean(values)


def _analysis(study: GaugeStudy) -> dict[str, Any]:
    columns = [{"name": "source"}, {"name": "sum of squares", "unit": "um²"}, {"name": "degrees of freedom"},
               {"name": "mean square", "unit": "um²"}, {"name": "F"}, {"name": "p"}]  # fmt: skip
    named = {"parts": "lenses"}
    rows = [[named.get(row.source, row.source), row.ss, row.dof, row.ms, row.f, row.p] for row in study.rows]
    return {"columns": columns, "rows": rows}


def _seatings(seatings: Sequence[Seating], cells: Cells) -> dict[str, Any]:
    """In the order made; best focus from the mean of its lens, as lenses differ by far more."""
    of_lens: dict[str, list[float]] = {}
    for (lens, _), cell in cells.items():
        of_lens.setdefault(lens, []).extend(one.focus_um for one in cell)
    columns = [{"name": "seating"}, {"name": "lens"}, {"name": "by"}, {"name": "from its mean", "unit": "um"},
               {"name": "u", "unit": "um"}]  # fmt: skip
    rows = [
        [number, one.lens, one.person, one.focus_um - fmean(of_lens[one.lens]), one.u_um]
        for number, one in enumerate(seatings, 1)
    ]
    return {"columns": columns, "rows": rows}
