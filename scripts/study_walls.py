"""Of a case: m by marks on the wall, and the gap of the lens at two walls, by the bench's own assessment."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot
from typing import Any

from benchd.assessments.finding import WallShares
from benchd.bench.datum.bounded_terms import tipping_u_um
from benchd.bench.datum.chain import CalibrationInForce
from benchd.bench.datum.feasibility import as_lines
from benchd.bench.datum.model_gap import gap_artefact
from benchd.bench.datum.position_terms import place_terms
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.bench.wall_marks import found_out_of_focus_u_rel, out_of_focus_u_rel
from benchd.metrology.peak import PeakFit
from benchd.questions.through_focus import carriage_at_peak_um, passed_on
from benchd.questions.two_walls.assessment import Wall, WallsInput, assess
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.marks import PUPIL_F
from study_bench import CaseBench
from study_records import ADAPTER, GLASS, LENS
from study_sweep import sweep
from study_world import CaseWorld

RUN = "r-0001"
APART_MM, RULE_MM = 220.0, 0.1
"""The marks' way and its standard uncertainty by a rule."""

SEEN_REL = 3e-5
"""How well pictures show that way in sides of the square, relative: tests/imaging/test_marks.py."""

DISTORTION = 0.0002
"""The relative u of what the camera's lens distorts: of one that somebody has looked into."""

OTHER, SPECIMEN_UM = "L-other", 22.0
"""The gap is found with another specimen of the model, as far off as lenses come."""

NEAR_MM, REPEATS = 3000.0, 3

Fit = Callable[[CaseBench, SweepData], PeakFit | str]


ACROSS_PX = 560.0
"""The camera goes with the wall: the marks look as far apart at both."""


def shared_u_rel(world: CaseWorld) -> float:
    """The relative u that every m by these marks shares: of the target's side, the rule, and the camera's lens."""
    side = world.record.target.side_mm
    return hypot(side.u / side.record, RULE_MM / APART_MM, DISTORTION)


def m_by_marks(bench: CaseBench, optic: Optic, other_um: float | None = None) -> dict[str, Any]:
    """m as two marks tell it at nominal, by the set-up without m: side, rule and what the camera's lens distorts are
    off as they were drawn, and pictures anew each time. Out of focus the target stands nearer the pupil, or farther;
    `other_um`: as a specimen does that is as far off as this."""
    world, chain = bench.world, bench.set_up(m=None)
    assert chain.carriage_um is not None
    world.drive(chain.carriage_um)
    pupil_um = optic.focal_um * float(world.draws.rng("lens.pupil").uniform(*PUPIL_F))
    off_um = world.seen_depth_um(optic, world.rail.place_um) - optic.sharp_um()
    away = (off_um if other_um is None else other_um) / pupil_um
    distorted = DISTORTION * float(world.draws.rng("camera.distortion").standard_normal())
    side = world.record.target.side_mm
    rule = world.draws.quantity("room.marks_mm", APART_MM, RULE_MM, "rectangular") / APART_MM
    seen = 1.0 + SEEN_REL * float(world.rng.standard_normal())
    seen *= (1.0 + away) * (1.0 + distorted)
    value = optic.magnification * side.record / world.side_mm * rule * seen
    of_lens = out_of_focus_u_rel(bench.files.records.lens(LENS), chain.u_um)
    return {
        "value": value,
        "u": value * hypot(shared_u_rel(world), SEEN_REL, of_lens),
        "by": "marks",
        "across_px": ACROSS_PX,
        "u_out_of_focus": value * of_lens,
        "told_in": RUN,
    }


def find_gap(bench: CaseBench, index: int, fit_of: Fit) -> None:
    """Best focus on a near wall and on the one where the lens is measured later. Raises BenchdError."""
    world = bench.world
    typed = world.new_day("walls")
    if not world.stratum.seat:
        world.fitting.fit_adapter(ADAPTER)
    world.fitting.fit_glass(GLASS)
    world.fitting.fit_lens(LENS)
    tape = world.record.room.distance_mm
    assert tape is not None
    near_true_mm = world.draws.quantity("room.near_mm", NEAR_MM, tape.u, tape.shape)
    stands: dict[str, Any] = {"lens": LENS, "adapters": [ADAPTER], "glass": [GLASS], "ring": "infinity"}
    specimen_um = float(world.draws.rng("specimen.off").uniform(-SPECIMEN_UM, SPECIMEN_UM))
    walls, offsets_um = [], []
    for told_mm, true_mm in ((NEAR_MM, near_true_mm), (tape.record, world.distance_mm)):
        optic = world.optic(distance_mm=true_mm)
        bench.set_up(temperature_C=typed, distance_mm=told_mm, m=None, **stands)
        m = m_by_marks(bench, optic, specimen_um)
        chain = bench.set_up(m=m)
        data = sweep(bench, chain, optic, SweepOrder(repeats=REPEATS), index)
        fit = fit_of(bench, data)
        assert not isinstance(fit, str), fit
        place_um = carriage_at_peak_um(fit, data.points)
        passed = passed_on([fit], bench.files.scale.period_um)
        depth_um = chain.places.depth_um(place_um)
        offsets_um.append(fit.peak_um)
        walls.append(Wall(depth_um, fit.u_um, float(fit.dof), told_mm, m["value"], m["u"], passed))
    shared, lens = shared_u_rel(world), bench.files.records.lens(LENS)
    thought_u_rel = out_of_focus_u_rel(lens, bench.chain().u_um)
    focus_u_rel = found_out_of_focus_u_rel(thought_u_rel, lens, offsets_um)
    near, far = (wall.with_u_rel(focus_u_rel, thought_u_rel) for wall in walls)
    head = {
        "finding": "", "assessment": "two_walls", "run": "r-0001", "setup": bench.document.rev, "lens": LENS,
        "job": None, "at": "2026-01-01T00:00:00Z", "version": "study",
    }  # fmt: skip
    model = bench.files.records.lens(LENS).model
    given = WallsInput(
        head=head,
        artefact=gap_artefact(model, OTHER),
        model=model,
        measurand={"arrangement": "wall"},
        shares=WallShares(
            u_distance_mm=bench.files.file.set_up.u_distance_mm,
            m_u_rel=shared,
            marks_mm=bench.files.file.arrangement.rest.get("marks_apart_mm"),
            pitch_mm=bench.files.file.target.pitch_mm,
            across_px=ACROSS_PX,
        ),
        distance_by="tape",
        focus_u_rel=focus_u_rel,
        u_scale=bench.files.scale.u_scale,
        at_a_place=as_lines(place_terms(bench.files.scale)),
        u_abbe_um=tipping_u_um(bench.files.file, [(1.0, walls[0].depth_um), (-1.0, walls[1].depth_um)]) or 0.0,
        indices=(0, 1),
    )
    found = assess(near, far, given)
    gap, at_wall = found.values["gap"], found.calibrates[0].at_wall
    assert gap.value is not None
    assert gap.u is not None
    assert at_wall is not None
    bench.in_force[given.artefact] = CalibrationInForce(
        "cal-8", given.artefact, gap.value, gap.u, gap.dof, setup=bench.document.rev, at_wall=at_wall, lens=OTHER,
    )  # fmt: skip
    world.fitting.remove_lens(LENS)
    world.fitting.remove_glass(GLASS)
    if world.stratum.seat:
        bench.set_up(glass=[], m=None)  # one lens after the other: the wall stays where its distance was told
    else:
        world.fitting.remove_adapter(ADAPTER)
        bench.set_up(lens=None, glass=[], m=None, adapters=[])
