"""Of a case: the plate's own paraxial shift, by the bench's own assessment of sweeps without it and with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from benchd.bench.datum.bounded_terms import tipping_u_um
from benchd.bench.datum.chain import CalibrationInForce
from benchd.bench.datum.feasibility import as_lines
from benchd.bench.datum.glass_found import glass_artefact
from benchd.bench.datum.position_terms import place_terms
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.files.artefacts import plates
from benchd.metrology.peak import PeakFit
from benchd.optics.plate import Plate, paraxial_shift_um, paraxial_u_um
from benchd.optics.plate_focus import F_NUMBER_REL, beyond_paraxial_u_um, beyond_paraxial_um
from benchd.questions.glass_toggle.assessment import ToggleInput, Visit, assess
from benchd.questions.glass_toggle.iris import iris_of
from benchd.questions.through_focus import carriage_at_peak_um, passed_on
from study_bench import CaseBench
from study_records import ADAPTER, GLASS, LENS, LIGHT_NM, LP_MM
from study_sweep import sweep

CLOSED_TO = 5.6
REPEATS, CAREFULLY = 6, 20
SPECIMEN_UM = 22.0

Fit = Callable[[CaseBench, SweepData], PeakFit | str]


def find_plate(bench: CaseBench, index: int, fit_of: Fit) -> None:
    """Out, in, in, out with the iris closed, on a day before. Raises BenchdError."""
    world, files = bench.world, bench.files
    typed = world.new_day("plate")
    if not world.stratum.seat:
        world.fitting.fit_adapter(ADAPTER)
    world.fitting.fit_lens(LENS)
    # A person sets the iris by its engraving.
    iris = world.draws.quantity("iris", CLOSED_TO, CLOSED_TO * F_NUMBER_REL / 3**0.5, "rectangular")
    wall = world.record.room.distance_mm if world.stratum.arrangement == "wall" else None
    distance_mm = None if wall is None else wall.record
    # Another lens than the one that is checked later: the scale's error at its best focus is another one.
    specimen_um = float(world.draws.rng("specimen.plate").uniform(-SPECIMEN_UM, SPECIMEN_UM))
    visits: list[Visit] = []
    widths: list[float] = []
    for glass in ((), (GLASS,), (GLASS,), ()):
        for one in [one for one in world.fitting.glass if one not in glass]:
            world.fitting.remove_glass(one)
        for one in [one for one in glass if one not in world.fitting.glass]:
            world.fitting.fit_glass(one)
        chain = bench.set_up(
            temperature_C=typed, lens=LENS, adapters=[ADAPTER], glass=list(glass), ring="infinity",
            distance_mm=distance_mm, m=None, f_number=CLOSED_TO, light_nm=LIGHT_NM,
        )  # fmt: skip
        optic = world.optic(iris=iris)
        optic = replace(optic, image_um=optic.image_um + specimen_um)
        data = sweep(
            bench,
            chain,
            optic,
            SweepOrder(repeats=CAREFULLY if world.stratum.carefully else REPEATS),
            index,
            f_number=CLOSED_TO,
        )
        fit = fit_of(bench, data)
        assert not isinstance(fit, str), fit
        widths.append(fit.hwhm_um)
        place_um = carriage_at_peak_um(fit, data.points)
        passed = passed_on([fit], bench.files.scale.period_um)
        visits.append(Visit(chain.places.depth_um(place_um), fit.u_um, float(fit.dof), passed))
    open_f_number = files.records.lens(LENS).f_number
    stop = iris_of(
        widths, CLOSED_TO, open_f_number=open_f_number, lp_mm=LP_MM, light_nm=LIGHT_NM,
        u_frequency_rel=data.u_frequency_rel,
    )  # fmt: skip
    layers = plates(files.records.glass(GLASS).layers)
    cone = [Plate(layer.thickness_mm, layer.index) for layer in layers], stop.f_number, LP_MM, LIGHT_NM
    of_record = [paraxial_u_um(one.thickness_mm, one.u_mm, one.index, one.u_index) for one in layers]
    given = ToggleInput(
        run="r-0001",
        setup=bench.document.rev,
        lens=LENS,
        glass=[GLASS],
        measurand={"arrangement": bench.document.arrangement, "glass": [GLASS]},
        paraxial_um=(sum(paraxial_shift_um(one.thickness_mm, one.index) for one in layers), of_record[0]),
        beyond_um=(
            beyond_paraxial_um(*cone),
            *beyond_paraxial_u_um(*cone, open_f_number=open_f_number, u_f_number_rel=stop.u_rel),
        ),
        artefact=glass_artefact([GLASS]),
        lp_mm=LP_MM,
        light_nm=LIGHT_NM,
        u_scale=files.scale.u_scale,
        at_a_place=as_lines(place_terms(files.scale)),
        indices=(0, 1),
        at="2026-01-01T00:00:00Z",
        version="study",
        f_number=stop.f_number,
        f_number_from=(stop.source, stop.shape),
        u_abbe_um=tipping_u_um(files.file, [(1.0, visits[1].depth_um), (-1.0, visits[0].depth_um)]) or 0.0,
    )
    finding = assess(visits, given)
    found, (entry,) = finding.values["found"], finding.calibrates
    assert found.value is not None
    assert found.u is not None
    bench.in_force[entry.artefact] = CalibrationInForce(
        "cal-7", entry.artefact, found.value, found.u, found.dof, light_nm=entry.light_nm, how=entry.how or ""
    )
    world.fitting.remove_lens(LENS)
    if not world.stratum.seat:
        world.fitting.remove_adapter(ADAPTER)
    bench.set_up(lens=None, distance_mm=None, f_number=None, adapters=[ADAPTER] if world.stratum.seat else [])
