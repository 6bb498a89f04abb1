"""From what a run has brought home to findings: gathers the records each assessment needs, and keeps the result."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import Any

from benchd.assessments import ASSESSMENTS
from benchd.assessments.finding import Finding
from benchd.bench.asked_for import check_assessment, check_of
from benchd.bench.bench import Bench
from benchd.bench.bounded_terms import tipping_u_um
from benchd.bench.chain import position_noise_um, wall_too_near
from benchd.bench.curves import FitOrder, fit_points
from benchd.bench.glass_residual import glass_residual, other_glass
from benchd.bench.lengths_by_gauge import TIPPING_NOT_STATED, LengthsByGauge, as_stated
from benchd.bench.nothing_passes import as_lines, chain_budget
from benchd.bench.position_terms import place_terms
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep_data import SweepData, SweepPoint, alike, flags_of, out_in_in_out
from benchd.errors import Refused
from benchd.files.artefacts import Layer, LensTolerance, plates
from benchd.metrology.peak import PeakFit

DEFAULT_LIGHT_NM = 546.0

PUPIL_NOT_SHOWN = "Pupil fill not shown: that the light fills the lens wide open was not checked."


class Assessor:
    """Turns a run into findings by the name of the assessment; each is stored, published and returned."""

    def __init__(self, bench: Bench, version: str) -> None:
        self._bench = bench
        self._version = version
        by_gauge = LengthsByGauge(bench, version)
        makers: Mapping[str, Callable[[RunRecord, str | None], Awaitable[Finding]]] = {
            "flange": self._flange,
            "bench_zero": by_gauge.bench_zero,
            "adapter_length": by_gauge.adapter_length,
            "glass_toggle": self._glass_toggle,
        }
        self._known = {name: makers[name] for name in ASSESSMENTS}

    async def assess(self, name: str, run: RunRecord, of: str | None) -> dict[str, Any]:
        """Make, keep and publish the finding `name` of a run, and of an artefact where the set-up does not say it.

        Raises Refused (unknown_name, not_found, bad_request).
        """
        check_assessment(name)
        check_of(name, of)
        finding = await self._known[name](run, of)
        number = await self._bench.store.add_finding(finding)
        doc = finding.as_json() | {"finding": number}
        run.findings[name] = doc
        self._bench.notices.put(f"finding/{name}", doc)
        return doc

    # Flange

    async def _flange(self, run: RunRecord, _of: str | None) -> Finding:
        from benchd.assessments.flange import FlangeInput, assess

        setup = self._bench.setup.document
        sweeps, left_out = alike(self._sweeps_of(run, [setup.rev]))
        points = [point for sweep in sweeps for point in sweep.points]
        fit = await self._fit(points, sweeps[0])
        lens = None if setup.lens is None else self._bench.loaded.records.lens(setup.lens)
        chain = self._bench.setup.chain
        other = None if lens is None else other_glass(sweeps[0].glass, lens.designed_for_glass)
        given = FlangeInput(
            run=run.id,
            setup=setup.rev,
            lens=setup.lens,
            chain=chain_budget(chain),
            why_relative=chain.why_relative,
            measurand=self._measurand(sweeps[0]),
            f_number=sweeps[0].f_number,
            linear=all(sweep.linear for sweep in sweeps),
            u_frequency_rel=max(sweep.u_frequency_rel for sweep in sweeps),
            tolerance_um=None if lens is None or lens.tolerance is None else lens.tolerance.flange_um,
            stock_um=self._bench.file.shims_um,
            fitted_um=() if lens is None else lens.shims_fitted_um,
            glass_residual=self._glass_residual(sweeps[0].f_number),
            calibrations=chain.calibrations,
            indices=(min(p.idx for p in points), max(p.idx for p in points)),
            at=self._bench.clock.utc(),
            version=self._version,
            job=setup.job,
            notes=[
                *([f"Measured {other}."] if other else []),
                *flags_of(sweeps),
                *chain.notes,
                *self._too_near(None if lens is None else lens.tolerance),
                *left_out,
                PUPIL_NOT_SHOWN,
            ],
            other_glass=other,
        )
        return await self._bench.analysis.run(assess, fit, given)

    def _too_near(self, tolerance: LensTolerance | None) -> list[str]:
        conjugate = self._bench.setup.chain.conjugate
        if conjugate is None or tolerance is None:
            return []
        sentence = wall_too_near(conjugate, -tolerance.flange_um, tolerance.flange_um)
        return [sentence] if sentence else []

    def _sweeps_of(self, run: RunRecord, revs: Sequence[int]) -> list[SweepData]:
        sweeps = [sweep for sweep in run.sweeps if sweep.setup in revs and sweep.points]
        if not sweeps:
            raise Refused("not_found", "This run holds no sweep at the set-up in force.", advice="Sweep first.")
        return sweeps

    async def _fit(self, points: Sequence[SweepPoint], sweep: SweepData) -> PeakFit:
        order = FitOrder(sweep.f_number, sweep.lp_mm, self._light_nm(), self._position_u_um())
        fit = await self._bench.analysis.run(fit_points, tuple(points), order)
        if isinstance(fit, str):
            raise Refused("not_found", fit, advice="Sweep again about the peak, with more readings or more light.")
        return fit

    def _light_nm(self) -> float:
        return self._bench.setup.document.light_nm or DEFAULT_LIGHT_NM

    def _position_u_um(self) -> float:
        return position_noise_um(self._bench.scale, self._bench.assembly.position_resolution_um)

    def _measurand(self, sweep: SweepData) -> dict[str, Any]:
        setup = self._bench.setup.document
        ring = setup.ring if isinstance(setup.ring, str) or setup.ring is None else {"mark": setup.ring.mark}
        return {
            "arrangement": setup.arrangement,
            "ring": ring,
            "f_number": sweep.f_number,
            "merit": sweep.merit,
            "lp_mm": sweep.lp_mm,
            "light_nm": self._light_nm(),
            "glass": list(setup.glass),
            "response": "system",  # no record states a camera's own transfer, so none is divided out
        }

    def _glass_residual(self, f_number: float) -> tuple[float, float] | None:
        setup = self._bench.setup.document
        if setup.lens is None:
            return None
        records = self._bench.loaded.records

        def layers(ids: Sequence[str]) -> list[Layer]:
            return [layer for one in ids for layer in plates(records.glass(one).layers)]

        designed = records.lens(setup.lens).designed_for_glass
        return glass_residual(
            [*layers(setup.glass), *plates(self._bench.file.target.cover)],
            layers([designed] if designed else []),
            f_number,
        )

    # Glass out and in

    async def _glass_toggle(self, run: RunRecord, _of: str | None) -> Finding:
        from benchd.assessments.glass_toggle import ToggleInput, Visit, assess
        from benchd.optics.plate import marginal_shift_um, paraxial_shift_um, paraxial_u_um

        glass = list(out_in_in_out(run.sweeps))
        visits = []
        for sweep in run.sweeps:
            fit = await self._fit(sweep.points, sweep)
            # Depths do not know of the plate: the carriage's own place at the peak, in the chain's lengths.
            slope = [point.carriage_um - point.offset_um for point in sweep.points]
            place = fit.peak_um + sum(slope) / len(slope)
            visits.append(Visit(place * (1.0 + self._bench.setup.chain.scale_growth), fit.u_um, float(fit.dof)))
        setup = self._bench.setup.document
        records = self._bench.loaded.records
        layers = [layer for one in glass for layer in plates(records.glass(one).layers)]
        f_number = run.sweeps[0].f_number
        paraxial = sum(paraxial_shift_um(layer.thickness_mm, layer.index) for layer in layers)
        marginal = sum(marginal_shift_um(layer.thickness_mm, layer.index, f_number) for layer in layers)
        u = math.hypot(*(paraxial_u_um(la.thickness_mm, la.u_mm, la.index, la.u_index) for la in layers))
        scale = self._bench.scale
        bare, behind = (visits[one].depth_um for one in (0, 1))  # as far apart as the carriage's readings
        u_abbe = tipping_u_um(self._bench.file, [(1.0, behind), (-1.0, bare)])
        given = ToggleInput(
            run=run.id,
            setup=setup.rev,
            lens=setup.lens,
            glass=glass,
            measurand=self._measurand(run.sweeps[0]) | {"glass": glass},
            paraxial_um=(paraxial, u),
            expected_residual_um=0.5 * (marginal - paraxial),
            u_scale=scale.u_scale if scale else 0.0,
            at_a_place=as_lines(place_terms(scale)) if scale else (),
            indices=(0, run.last_index),
            at=self._bench.clock.utc(),
            version=self._version,
            f_number=f_number,
            linear=all(sweep.linear for sweep in run.sweeps),
            notes=[*flags_of(run.sweeps), *([] if u_abbe is not None else [TIPPING_NOT_STATED])],
            u_abbe_um=u_abbe or 0.0,
        )
        return as_stated(scale, await self._bench.analysis.run(assess, tuple(visits), given))
