"""One case from its draws to its finding, and how far the finding is from the truth, term by term."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from statistics import fmean
from typing import Any

from benchd.arrangements.registry import arrangement_of
from benchd.assessments.finding import Finding
from benchd.bench.datum.chain import CalibrationInForce, Chain
from benchd.bench.datum.feasibility import as_lines
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.bench.wall_marks import as_found
from benchd.errors import BenchdError
from benchd.metrology.budget import Term, combine
from benchd.metrology.peak import PeakFit
from benchd.optics.diffraction import ideal_hwhm_um
from benchd.questions.flange.assessment import FlangeInput, assess
from benchd.questions.flange.seatings import SCATTER, Seating, mean_of
from benchd.questions.through_focus import passed_on
from benchd_simulators.world.lens import Optic
from study_bench import CaseBench
from study_plate import find_plate
from study_records import ADAPTER, GLASS, LENS, LIGHT_NM, LP_MM
from study_seated import Seated, fit_of, seating_of
from study_strata import Stratum
from study_sweep import order_of, sweep
from study_walls import RUN, find_gap, m_by_marks
from study_world import CaseWorld, Truth, ring_of

SUBDIVISION = "position subdivision"
OF_THE_SWEEP = ("sweep", "frequency", SUBDIVISION, "non-linear pictures", "clocks", "latency", "motion blur")


@dataclass(frozen=True, slots=True)
class Outcome:
    """One case. `refused` is the reason where there is no finding; then the other figures are zero.

    `error_um` is stated less true, `parts` what each line of the budget contributed to it, `lines` the standard
    uncertainty stated for each. `sweep_covered`: whether the lines of the sweep alone (its fit, the frequency, the
    scale's subdivision, pictures near full scale) hold what the sweep alone did; the datum chain cannot hide it there.
    """

    index: int
    refused: str | None = None
    truth_um: float = 0.0
    error_um: float = 0.0
    u_um: float = 0.0
    U_um: float = 0.0
    verdict: str | None = None
    conforms: bool = False
    inside: int = 0
    chi2_per_dof: float = 0.0
    flags: tuple[str, ...] = ()
    sweep_covered: bool = False
    parts: dict[str, float] = field(default_factory=dict)
    lines: dict[str, float] = field(default_factory=dict)

    @property
    def covered(self) -> bool:
        """Whether the stated interval holds the truth."""
        return abs(self.error_um) <= self.U_um

    def as_json(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Case:
    """A case with everything of it, for printing."""

    outcome: Outcome
    world: CaseWorld
    bench: CaseBench
    chain: Chain
    truth: Truth
    data: SweepData | None = None
    fit: PeakFit | None = None
    finding: Finding | None = None


def carry_out(
    stratum: Stratum, seed: int, index: int, calibrated: Mapping[str, CalibrationInForce] | None = None
) -> Case:
    """Draw a bench, calibrate it, measure its lens; `calibrated`: by these calibrations of before instead."""
    world = CaseWorld(stratum, seed, index)
    bench = CaseBench(world)
    _calibrate(bench, index)
    bench.in_force = dict(calibrated or bench.in_force)
    chain, optic = _seat(bench)
    truth = world.truth(optic)
    width = arrangement_of(bench.files.file).curve_width
    order = order_of(world, width * _ideal_hwhm_um(stratum.f_number))
    try:
        data = sweep(bench, chain, optic, order, index)
    except BenchdError as refused:
        return Case(Outcome(index, refused.text.split(":")[0]), world, bench, chain, truth)
    fit = fit_of(bench, data)
    if isinstance(fit, str):
        return Case(Outcome(index, _without_numbers(fit)), world, bench, chain, truth, data)
    finding = assess(fit, _given(bench, chain, data, [fit]))
    if stratum.more and finding.verdict and finding.verdict.is_ == "undecided":
        more = replace(order, repeats=stratum.more)
        data, fit, finding = _with_more(bench, chain, optic, more, index, data) or (data, fit, finding)
    passes = [data]
    while finding.more_readings is not None and finding.more_readings.worth and len(passes) < stratum.as_needed:
        try:
            passes.append(sweep(bench, chain, optic, order, index, passes))
        except BenchdError:
            break
        data = replace(passes[0], points=[point for one in passes for point in one.points])
        again = fit_of(bench, data)
        if isinstance(again, str):
            return Case(Outcome(index, _without_numbers(again)), world, bench, chain, truth, data)
        fit, finding = again, assess(again, _given(bench, chain, data, [again]))
    seated = [seating_of(bench, chain, truth, data, fit)]
    while len(seated) < stratum.seatings:
        one = _seat_anew(bench, chain, optic, order, index)
        if isinstance(one, str):
            return Case(Outcome(index, one), world, bench, chain, truth)
        seated.append(one)
    if len(seated) > 1:
        mean = mean_of([one.fit for one in seated])
        finding = assess(mean, _given(bench, chain, data, [one.fit for one in seated]))
    outcome = _outcome(index, bench, truth, seated, finding)
    return Case(outcome, world, bench, chain, truth, data, fit, finding)


def _calibrate(bench: CaseBench, index: int) -> None:
    """As the stratum has it."""
    stratum = bench.world.stratum
    if stratum.seat:
        bench.calibrate_seat()
    else:
        bench.calibrate_base()
        bench.calibrate_adapter()
    if stratum.set_tube:
        bench.set_collimator()
    try:
        if stratum.toggled:
            find_plate(bench, index, fit_of)
        if stratum.walls:
            find_gap(bench, index, fit_of)
    except BenchdError as refused:
        raise RuntimeError(f"case {index} of {stratum.name}: {refused.text}") from refused


def _seat_anew(bench: CaseBench, chain: Chain, optic: Optic, order: SweepOrder, index: int) -> Seated | str:
    """The lens taken off, put back and measured; a sentence where that is refused."""
    fitting = bench.world.fitting
    burr_um = fitting.stand_offs[-1]
    fitting.remove_lens(LENS)
    fitting.fit_lens(LENS)
    fitting.stand_offs[-1] = burr_um  # what holds the seats apart may be a burr, which is there each time
    try:
        data = sweep(bench, chain, optic, order, index)
    except BenchdError as refused:
        return refused.text.split(":")[0]
    fit = fit_of(bench, data)
    if isinstance(fit, str):
        return _without_numbers(fit)
    return seating_of(bench, chain, bench.world.truth(optic), data, fit)


def _with_more(
    bench: CaseBench, chain: Chain, optic: Optic, order: SweepOrder, index: int, first: SweepData
) -> tuple[SweepData, PeakFit, Finding] | None:
    """A second sweep, and the finding from both; None where it was refused and the first finding stands."""
    try:
        second = sweep(bench, chain, optic, order, index)
    except BenchdError:
        return None
    data = replace(first, points=[*first.points, *second.points], linear=first.linear and second.linear)
    fit = fit_of(bench, data)
    return None if isinstance(fit, str) else (data, fit, assess(fit, _given(bench, chain, data, [fit])))


def run_case(stratum: Stratum, seed: int, index: int) -> Outcome:
    """The figures of one case."""
    return carry_out(stratum, seed, index).outcome


@lru_cache(maxsize=32)
def _ideal_hwhm_um(f_number: float) -> float:
    return ideal_hwhm_um(f_number, LP_MM, LIGHT_NM)


def _seat(bench: CaseBench) -> tuple[Chain, Optic]:
    """The day of the measurement: adapter, plate and lens fitted, the set-up told."""
    world = bench.world
    typed = world.new_day("measurement")
    if not world.stratum.seat:  # there it has stood since its zero was found
        world.fitting.fit_adapter(ADAPTER)
    glass = [] if world.stratum.fixed else [GLASS]
    for one in glass:
        world.fitting.fit_glass(one)
    world.fitting.fit_lens(LENS)
    optic = world.optic()
    changes: dict[str, Any] = {"lens": LENS, "adapters": [ADAPTER], "glass": glass}
    changes["ring"] = ring_of(world.stratum)
    if world.stratum.arrangement == "wall":
        tape = world.record.room.distance_mm
        assert tape is not None
        changes["distance_mm"] = tape.record
        if world.stratum.marks:
            bench.set_up(temperature_C=typed, light_nm=LIGHT_NM, **changes)
            changes["m"] = m_by_marks(bench, optic)
        elif world.stratum.tape:
            m, u = world.tape_m(optic.magnification)
            changes["m"] = {"value": m, "u": u}
    return bench.set_up(temperature_C=typed, light_nm=LIGHT_NM, **changes), optic


def _passed_on(bench: CaseBench, chain: Chain, fits: Sequence[PeakFit]) -> float | None:
    period_um = bench.files.scale.period_um
    if period_um is None or chain.carriage_um is None:
        return None
    return passed_on(fits, abs(chain.places.slope(chain.carriage_um)) * period_um)


def _given(bench: CaseBench, chain: Chain, data: SweepData, fits: Sequence[PeakFit]) -> FlangeInput:
    """`fits` are one of each seating."""
    peak_um = fmean(fit.peak_um for fit in fits)
    lens = bench.files.records.lens(LENS)
    return FlangeInput(
        run=RUN,
        setup=bench.document.rev,
        lens=LENS,
        chain=as_lines(as_found(chain.budget_at(peak_um), bench.document, lens, peak_um, RUN)),
        why_relative=chain.why_relative,
        measurand={
            "arrangement": bench.document.arrangement,
            "ring": ring_of(bench.world.stratum),
            "f_number": data.f_number,
            "merit": data.merit,
            "lp_mm": data.lp_mm,
            "light_nm": LIGHT_NM,
            "glass": list(bench.document.glass),
        },
        f_number=data.f_number,
        u_frequency_rel=data.u_frequency_rel,
        tolerance_um=lens.tolerance.flange_um if lens.tolerance else None,
        stock_um=bench.files.file.shims_um,
        fitted_um=lens.shims_fitted_um,
        glass_residual=None,
        calibrations=chain.calibrations,
        indices=(data.points[0].idx, data.points[-1].idx),
        at="2026-01-01T00:00:00Z",
        version="study",
        notes=chain.notes,
        linear=data.linear,
        seatings=[Seating((0, 0), fit.peak_um, fit.u_um) for fit in fits] if len(fits) > 1 else [],
        pairs=chain.joints,
        passed_on=_passed_on(bench, chain, fits),
        timing=data.timing,
    )


def _outcome(index: int, bench: CaseBench, truth: Truth, seated: Sequence[Seated], finding: Finding) -> Outcome:
    stated = finding.values["focus_error"]
    assert stated.value is not None
    assert stated.u is not None
    assert stated.U is not None
    tolerance = bench.files.records.lens(LENS).tolerance
    parts = {name: sum(one.parts[name] for one in seated) / len(seated) for name in seated[0].parts}
    fit, by_sweep = seated[0].fit, sum(one.by_sweep_um for one in seated) / len(seated)
    of_sweep = [line for line in finding.budgets["focus_error"] if line.term in OF_THE_SWEEP]
    alone = combine([Term(t.term, t.u, t.type, t.dof, t.source, t.shape) for t in of_sweep])
    lines = {_part_of(line.term): line.u for line in finding.budgets["focus_error"] if line.term != "frequency"}
    return Outcome(
        index=index,
        truth_um=truth.error_um,
        error_um=stated.value - truth.error_um,
        u_um=stated.u,
        U_um=stated.U,
        verdict=finding.verdict.is_ if finding.verdict else None,
        conforms=tolerance is not None and abs(truth.error_um) <= tolerance.flange_um,
        inside=int(fit.inside.sum()),
        chi2_per_dof=fit.chi2_per_dof,
        flags=fit.flags,
        parts=parts,
        lines=lines,
        sweep_covered=abs(by_sweep) <= alone.U,
    )


def _part_of(term: str) -> str:
    """The name under which a line of the budget is held against what it did."""
    if term == SUBDIVISION:
        return "subdivision"
    if term == SCATTER:
        return "joints"
    return term if term.startswith(("gauge", "reticle")) else term.split(" ", maxsplit=1)[0]


def _without_numbers(text: str) -> str:
    words: Sequence[str] = text.rstrip(".").split(" ")
    return " ".join("n" if word.rstrip(";").isdigit() else word for word in words)
