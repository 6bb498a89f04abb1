"""From what a run has brought home to findings: gathers the records each assessment needs, and keeps the result."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from benchd.assessments.finding import Finding
from benchd.bench.bench import Bench, chain_budget
from benchd.bench.chain import POSITION_NOT_STATED, position_noise_um, wall_too_near
from benchd.bench.curves import FitOrder, fit_points
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep_data import SweepData, SweepPoint, alike
from benchd.devices import Gauge
from benchd.errors import Refused
from benchd.files.artefacts import Layer, LensTolerance
from benchd.files.bench_file import BenchFile
from benchd.metrology.peak import PeakFit
from benchd.records.values import ReadingRow

if TYPE_CHECKING:
    from benchd.assessments.gauge_readings import Known

DEFAULT_LIGHT_NM = 546.0

GLASS_RESIDUAL_U_REL = 0.18
"""Half of the marginal excess is stated; where modulation peaks behind a plate is .5 to .66 of it, by frequency and
f-number (quadrature of the transfer function, f/2 to f/4, 10 to 80 lp/mm), taken as rectangular about the half."""

PUPIL_NOT_SHOWN = "Pupil fill not shown: that the light fills the lens wide open was not checked."


class Assessor:
    """Turns a run into findings by the name of the assessment; each is stored, published and returned."""

    def __init__(self, bench: Bench, version: str) -> None:
        self._bench = bench
        self._version = version
        self._known: Mapping[str, Callable[[RunRecord, Mapping[str, Any]], Awaitable[Finding]]] = {
            "flange": self._flange,
            "base_depth": self._base_depth,
            "adapter_length": self._adapter_length,
            "glass_toggle": self._glass_toggle,
        }

    @property
    def names(self) -> list[str]:
        """The assessments this bench can make."""
        return sorted(self._known)

    async def assess(self, name: str, run: RunRecord, inputs: Mapping[str, Any]) -> dict[str, Any]:
        """Make, keep and publish the finding `name` of a run. Raises Refused (unknown_name, not_found)."""
        if name not in self._known:
            raise Refused(
                "unknown_name", f"There is no assessment '{name}'.", advice=f"Known: {', '.join(self.names)}."
            )
        finding = await self._known[name](run, inputs)
        number = await self._bench.store.add_finding(finding)
        doc = finding.as_json() | {"finding": number}
        run.findings[name] = doc
        self._bench.notices.put(f"finding/{name}", doc)
        return doc

    # Flange

    async def _flange(self, run: RunRecord, _inputs: Mapping[str, Any]) -> Finding:
        from benchd.assessments.flange import FlangeInput, assess

        setup = self._bench.setup.document
        sweeps, left_out = alike(self._sweeps_of(run, [setup.rev]))
        points = [point for sweep in sweeps for point in sweep.points]
        fit = await self._fit(points, sweeps[0])
        lens = None if setup.lens is None else self._bench.loaded.records.lens(setup.lens)
        chain = self._bench.setup.chain
        given = FlangeInput(
            run=run.id,
            setup=setup.rev,
            lens=setup.lens,
            chain=chain_budget(chain),
            absolute=chain.absolute,
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
            notes=[*chain.notes, *self._too_near(None if lens is None else lens.tolerance), *left_out, PUPIL_NOT_SHOWN],
        )
        return await self._bench.analysis.run(assess, fit, given)

    def _too_near(self, tolerance: LensTolerance | None) -> list[str]:
        conjugate = self._bench.setup.chain.conjugate
        if conjugate is None or tolerance is None:
            return []
        sentence = wall_too_near(conjugate.u_um, -tolerance.flange_um, tolerance.flange_um)
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
            return [layer for one in ids for layer in records.glass(one).layers]

        designed = records.lens(setup.lens).designed_for_glass
        return glass_residual(layers(setup.glass), layers([designed] if designed else []), f_number)

    # Lengths by gauge

    async def _base_depth(self, run: RunRecord, inputs: Mapping[str, Any]) -> Finding:
        from benchd.assessments import gauge_readings as gauge

        bench = self._bench
        ring = bench.loaded.records.reference(str(inputs["reference"]))
        if ring.given is None:
            raise Refused("bad_request", f"Reference {ring.id} has no length.", advice="Name a setting ring.")
        base = bench.file.base
        pairs = self._pairs(run, "on_ring", "on_base")
        known = gauge.Known(
            ring.given.length_um, ring.given.u_um, _alpha(ring.material), f"{ring.id}, {ring.given.by or 'record'}"
        )
        own = gauge.Known(base.given.length_um, base.given.u_um, base.alpha_per_K, "bench file")
        cover = cover_of(bench.file)
        work = (pairs, known, own, base.calibration, self._comparator(), self._thermal(), self._about(run), cover)
        return self._as_stated(await bench.analysis.run(gauge.base_depth, *work))

    async def _adapter_length(self, run: RunRecord, inputs: Mapping[str, Any]) -> Finding:
        from benchd.assessments import gauge_readings as gauge

        adapter = self._bench.loaded.records.adapter(str(inputs["adapter"]))
        given = adapter.given
        known = gauge.Known(given.length_um, given.u_um, adapter.material.alpha_per_K, "record")
        pairs = self._pairs(run, "on_base", "on_adapter")
        work = (pairs, known, adapter.id, self._comparator(), self._thermal(), self._about(run))
        return self._as_stated(await self._bench.analysis.run(gauge.adapter_length, *work))

    def _as_stated(self, finding: Finding) -> Finding:
        """Relative, with the reason, where nothing is stated of the carriage's position: its lines are then missing."""
        if self._bench.scale is not None:
            return finding
        return finding.model_copy(update={"absolute": False, "notes": [*finding.notes, POSITION_NOT_STATED]})

    def _pairs(self, run: RunRecord, first: str, second: str) -> list[Any]:
        from benchd.assessments.gauge_readings import Pair

        one, other = run.named.get(first, []), run.named.get(second, [])
        if len(one) != len(other) or len(one) < 2:
            raise Refused("not_found", f"The run holds {len(one)} readings '{first}' and {len(other)} '{second}'.")
        return [
            Pair(_value(a), a.carriage_um or 0.0, _value(b), b.carriage_um or 0.0)
            for a, b in zip(one, other, strict=True)
        ]

    def _comparator(self) -> Any:
        from benchd.assessments.gauge_readings import Comparator

        spec = self._bench.assembly.named("indicator", Gauge).spec
        scale = self._bench.scale
        # A gauge in the role states both; a bench without a scale's record gets a relative finding, `_as_stated`.
        return Comparator(
            resolution_um=spec.resolution_um,
            hysteresis_um=spec.hysteresis_um or 0.0,
            u_gain=spec.u_gain or 0.0,
            u_scale=scale.u_scale if scale else 0.0,
            subdivision_um=scale.subdivision_um if scale else 0.0,
            alpha_scale=scale.alpha_per_K if scale else None,
        )

    def _thermal(self) -> Any:
        from benchd.assessments.gauge_readings import Thermal

        temperature = self._bench.setup.document.temperature_C
        if temperature is None:  # a room nobody measured is somewhere within ten kelvin of 20 C
            return Thermal(20.0, 10.0 / math.sqrt(3.0))
        return Thermal(temperature, self._bench.file.set_up.u_temperature_K)

    def _about(self, run: RunRecord) -> Any:
        from benchd.assessments.gauge_readings import About

        return About(
            run=run.id,
            setup=self._bench.setup.document.rev,
            at=self._bench.clock.utc(),
            version=self._version,
            indices=(0, run.last_index),
        )

    # Glass out and in

    async def _glass_toggle(self, run: RunRecord, _inputs: Mapping[str, Any]) -> Finding:
        from benchd.assessments.glass_toggle import ToggleInput, Visit, assess
        from benchd.optics.plate import marginal_shift_um, paraxial_shift_um, paraxial_u_um

        if len(run.sweeps) != 4:
            raise Refused("not_found", f"Out-in-in-out takes four sweeps; this run holds {len(run.sweeps)}.")
        if len(alike(run.sweeps)[0]) != 4:
            raise Refused(
                "not_found",
                "The four sweeps did not measure the same: detector, merit, frequency or f-number differ.",
                advice="Sweep out-in-in-out in one way.",
            )
        visits = []
        for sweep in run.sweeps:
            fit = await self._fit(sweep.points, sweep)
            # Depths do not know of the plate: the carriage's own place at the peak, in the chain's lengths.
            slope = [point.carriage_um - point.offset_um for point in sweep.points]
            place = fit.peak_um + sum(slope) / len(slope)
            visits.append(Visit(place * (1.0 + self._bench.setup.chain.scale_growth), fit.u_um, float(fit.dof)))
        setup = self._bench.setup.document
        records = self._bench.loaded.records
        with_glass = [sweep.glass for sweep in run.sweeps if sweep.glass]
        glass = list(with_glass[0]) if with_glass else []
        layers = [layer for one in glass for layer in records.glass(one).layers]
        f_number = run.sweeps[0].f_number
        paraxial = sum(paraxial_shift_um(layer.thickness_mm, layer.index) for layer in layers)
        marginal = sum(marginal_shift_um(layer.thickness_mm, layer.index, f_number) for layer in layers)
        u = math.hypot(*(paraxial_u_um(la.thickness_mm, la.u_mm, la.index, la.u_index) for la in layers))
        scale = self._bench.scale
        given = ToggleInput(
            run=run.id,
            setup=setup.rev,
            lens=setup.lens,
            glass=glass,
            measurand=self._measurand(run.sweeps[0]) | {"glass": glass},
            paraxial_um=(paraxial, u),
            expected_residual_um=0.5 * (marginal - paraxial),
            u_scale=scale.u_scale if scale else 0.0,
            indices=(0, run.last_index),
            at=self._bench.clock.utc(),
            version=self._version,
            f_number=f_number,
            linear=all(sweep.linear for sweep in run.sweeps),
        )
        return self._as_stated(await self._bench.analysis.run(assess, tuple(visits), given))


def cover_of(bench_file: BenchFile) -> Known | None:
    """The full thickness of the plates over the target, on which a gauge's tip rests; None without any."""
    from benchd.assessments.gauge_readings import Known

    target = bench_file.target
    if not target.cover:
        return None
    thickness = 1000.0 * sum(layer.thickness_mm for layer in target.cover)
    u = 1000.0 * math.hypot(*(layer.u_mm for layer in target.cover))
    return Known(thickness, u, None, f"target {target.id}, bench file")


def glass_residual(fitted: Sequence[Layer], designed: Sequence[Layer], f_number: float) -> tuple[float, float]:
    """Residual of the plates fitted beside those a lens was made for, and its standard uncertainty, um.

    The model's share goes with what is left between the two. That of thickness and index does not: two plates of one
    record are two pieces, each off it for itself.
    """
    from benchd.optics.plate import Plate, longitudinal_u_um, residual_um

    def plates(layers: Sequence[Layer]) -> list[Plate]:
        return [Plate(layer.thickness_mm, layer.index) for layer in layers]

    value = residual_um(plates(fitted), plates(designed), f_number)
    pieces = [
        0.5 * longitudinal_u_um(layer.thickness_mm, layer.u_mm, layer.index, layer.u_index, f_number)
        for layer in (*fitted, *designed)
    ]
    return value, math.hypot(GLASS_RESIDUAL_U_REL * value, *pieces)


def _alpha(material: Any) -> float | None:
    return None if material is None else float(material.alpha_per_K)


def _value(row: ReadingRow) -> float:
    if row.value is None:
        raise Refused("not_found", f"Reading {row.idx} of {row.run} has no value.", advice="Take it again.")
    return row.value
