"""The bench as a whole: what verbs and steps call, and the handling of lost trust and ended jobs.

Every method that moves checks trust, limits and clearance first. `stop` needs nothing and outranks everything.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import partial
from typing import Any

from benchd.assessments.sampling_positions import per_pass
from benchd.bench.analysis import Analysis
from benchd.bench.assembly import POINTER, Assembly
from benchd.bench.barrel_view import BarrelView
from benchd.bench.datum.chain import ScaleRecord, position_record
from benchd.bench.datum.clearance import check_way_to_switch
from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.datum.feasibility import warn_if_infeasible
from benchd.bench.events import Events
from benchd.bench.gate import Gate
from benchd.bench.holds import Hold
from benchd.bench.interlock import Interlock
from benchd.bench.jobs import Jobs, Stopped
from benchd.bench.laser.pointer import Pointer
from benchd.bench.lights import Lights
from benchd.bench.motion.figures import MotionFigures, check_limits
from benchd.bench.motion.jogging import Jogged
from benchd.bench.motion.positioner import Positioner
from benchd.bench.motion.trust import Trust
from benchd.bench.notices import Notices
from benchd.bench.records_in_force import RecordsInForce
from benchd.bench.requests import (
    CARRIAGE,
    check_continuous,
    check_goes_along,
    check_points,
    driven,
    no_lens,
    no_motor,
    nothing_nominal,
    readable,
    too_fast_by_hand,
)
from benchd.bench.rings.rings import Rings
from benchd.bench.rings.turner import Turner
from benchd.bench.run_record import RunRecord
from benchd.bench.sensors.lean import keep_lean
from benchd.bench.sensors.sensors import Sensors
from benchd.bench.sweep.disturbances import Disturbances
from benchd.bench.sweep.expected import expected_offset_um
from benchd.bench.sweep.sweep_data import SweepData, SweepOrder
from benchd.bench.sweep.sweeper import Progress, Sweeper
from benchd.detectors.available import available_detectors
from benchd.detectors.detector import Detector
from benchd.devices import Approach, Axis, Clock, Encoder, Light, Meter, Reading
from benchd.errors import BenchdError, Refused
from benchd.files.loading import LoadedBench
from benchd.records.store import Store

TARGET_LIGHT = "target_light"


class Bench:
    """One bench: its devices, set-up, carriage and sweeps.

    `notices` publishes its state, `events` what happened, `jobs` holds the job under way. `analysis` does the
    numerics, by default in a process of its own.
    """

    def __init__(
        self,
        loaded: LoadedBench,
        assembly: Assembly,
        store: Store,
        notices: Notices,
        clock: Clock,
        analysis: Analysis | None = None,
    ) -> None:
        self.loaded = loaded
        self.file = loaded.file
        self.assembly = assembly
        self.store = store
        self.notices = notices
        self.clock = clock
        self.events = Events(notices, store, clock)
        self.pointer = assembly.in_role(POINTER, Pointer)
        if self.pointer is not None:
            self.pointer.barred = self._pointer_barred
        self.jobs = Jobs(self._job_ended, self._in_the_dark)
        self.analysis = Analysis() if analysis is None else analysis
        self.lights = Lights(assembly, clock)
        self.trust = Trust(self._trust_lost)
        axis = assembly.named(CARRIAGE, Axis)
        encoder = assembly.in_role("position", Encoder)
        stated = position_record(loaded.file, None if encoder is None else encoder.spec)
        self.setup = CurrentSetup(loaded, store, notices, clock, stated)
        self.used_by_run: Collection[str] = ()
        """The texts in inputs and steps of the run under way, the ids of records among them."""
        self.records = RecordsInForce(loaded, self.setup, store, self.events, clock, self.jobs, axis, self._used)
        motion = loaded.file.motion
        figures = MotionFigures(
            speed_um_s=axis.spec.top_speed,
            tolerance_um=motion.tolerance_um,
            settle_s=motion.settle_ms / 1000.0,
        )
        self.carriage = Positioner(axis, encoder, figures, self.trust, clock)
        self.interlock = Interlock(assembly.roles, clock)
        self.barrel = BarrelView(assembly, store, self.events, clock)
        self.carriage.clear = self.interlock.clear
        self.rings = Rings(
            loaded, assembly, self.carriage, self.setup, self.events, self.jobs, lambda: self.used_by_run, clock
        )
        self.turners = self.rings.turners
        self.lights.emergency = lambda: self.interlock.emergency
        self.lights.stops = lambda: self.carriage.stops
        darkened = partial(self.lights.darkened, TARGET_LIGHT)
        self.detectors = available_detectors(assembly, loaded.file.target, self.analysis, clock, darkened)
        self.detectors.preload_workers(self.analysis)
        self.sensors = Sensors(assembly, loaded.file, clock)

    @property
    def scale(self) -> ScaleRecord | None:
        """The errors of the carriage's position, as measured or stated; None if nothing is."""
        return self.setup.scale

    # Motion

    async def stop(self, by: str | None = None) -> None:
        """Stop everything that moves; the position stays trusted if the controller kept it.

        Raises DeviceError, as `Rings.stop_with`, once all others are stopped.
        """
        if self.pointer is not None:  # the hold ends now; the byte of the stop comes first
            self.pointer.put_out()
        await self.rings.stop_with(partial(self.carriage.stop, by))

    @property
    def motion(self) -> str:
        """`homing` while carriage or a ring homes, else `moving` while one moves, else `idle`."""
        states = {self.carriage.state, *(turner.state for turner in self.turners.values())}
        return next((state for state in ("homing", "moving") if state in states), "idle")

    async def _in_the_dark(self) -> None:
        """Whatever begins does so without the laser. Raises DeviceError where that cannot be put out."""
        if self.pointer is not None:
            await self.pointer.dark()

    def _pointer_barred(self) -> Refused | None:
        """Why the laser has to be dark now."""
        if (switch := self.interlock.emergency) is not None:
            return Refused("interlock", switch.sentence, advice=switch.advice, data=switch.data)
        if self.jobs.kind is not None or self.jobs.closed:
            text = f"The pointer is dark while the bench is busy with '{self.jobs.kind or 'its end'}'."
            return Refused("busy", text, advice="Hold it on when that has ended.", data={"doing": self.jobs.kind})
        return None

    def check_axes(self, axes: list[str]) -> None:
        """Raise Refused('unknown_name') for an axis that this bench cannot drive."""
        for name in axes:
            driven(self.assembly, name)

    async def home(self, axes: list[str], *, only_if_unhomed: bool = False, since: int | None = None) -> None:
        """Home axes. Raises Refused (unknown_name, clearance), HomeFailed, Stopped.

        `since`, here and below, is the number of stops at the time of the request: a later stop ends it.
        """
        self.check_axes(axes)
        since = self.carriage.stops if since is None else since
        for name in dict.fromkeys(self.assembly.public_name(self.assembly.named(name, Axis).name) for name in axes):
            if name in self.turners:
                await self._home_ring(self.turners[name], only_if_unhomed, since)
            elif not (only_if_unhomed and self.trust.homed):
                await self._home_carriage(since)

    async def _home_ring(self, turner: Turner, only_if_unhomed: bool, since: int) -> None:
        if not (only_if_unhomed and turner.trust.homed):
            await turner.home(since)
            self.events.tell("homed", f"{turner.name} is homed.")

    async def turn(self, name: str, angle_deg: float, *, since: int | None = None) -> Reading:
        """Turn a rotary axis to an angle. Raises Refused (unknown_name, not_homed, limit, interlock), Stopped."""
        axis = driven(self.assembly, name)
        return await self.turners[self.assembly.public_name(axis.name)].go(angle_deg, since)

    async def _home_carriage(self, since: int) -> None:
        self.check_homing()
        self.setup.mark_stale()
        self._expect_pictures()
        await self.carriage.home(since=since)
        self.events.tell("homed", "The carriage is homed.")

    def check_homing(self) -> None:
        """Raise Refused('clearance') if the path to the home switch is not clear of the lens in the set-up."""
        lowest, _ = self.carriage.homing_um
        check_way_to_switch(self.setup.clearance_of(self.setup.document), self.setup.chain.places.depth_um(lowest))

    def _expect_pictures(self) -> None:
        """A sweep often follows a move: start the worker while the carriage moves."""
        if self.detectors:
            self.analysis.warm()

    async def go_where_set_up(self, *, since: int | None = None) -> Reading:
        """What sensors tell enters the set-up, rings turn to where it says, then the carriage drives to nominal.

        Raises as `nominal` and `turn`.
        """
        since = self.carriage.stops if since is None else since
        await self.enter_readings()
        for role, angle_deg in self.rings.to_turn_deg().items():
            await self.turn(role, angle_deg, since=since)
        return await self.nominal(since=since)

    async def nominal(self, *, since: int | None = None) -> Reading:
        """Drive to nominal, trim included. Raises Refused (not_homed, not_driven, limit, clearance)."""
        return await self.move_carriage(self.nominal_target(), since=since)

    async def enter_readings(self) -> bool:
        """What sensors tell of the room enters the set-up, where it differs from what stands there; whether any did.

        Not in the course of a sweep: another set-up is another measurement.
        """
        setup = self.setup
        told = await self.sensors.told(
            setup.document, setup.chain.carriage_um, lambda mm: setup.preview({"distance_mm": mm})[1].carriage_um
        )
        if told.values:
            await self.setup.change(told.values, told_by=told.by)
        for code, text, advice in told.said:
            self.events.tell(code, text, severity="warning", advice=advice)
        return bool(told.values)

    def nominal_target(self) -> float:
        """The carriage position of nominal, trim included. Raises Refused('not_driven') without a lens."""
        target = self.setup.chain.carriage_um
        if target is None:
            raise nothing_nominal()
        return target

    async def move_carriage(
        self, carriage_um: float, *, since: int | None = None, approach: Approach | None = None
    ) -> Reading:
        """Drive to a position on the carriage's own scale (um), from a side if one is asked for.

        Raises Refused (not_homed, limit, clearance).
        """
        self.check_reach(carriage_um)
        self._expect_pictures()
        reading = await self.carriage.go(carriage_um, since=since, approach=approach)
        self.setup.mark_driven()
        return reading

    async def jog(self, hold: Hold, *, since: int | None = None) -> Jogged:
        """Move the carriage as somebody holds on, within limits and clearance. Raises as `Positioner.jog`."""
        jogged = await self.carriage.jog(hold, self.jog_bounds, since=since)
        self.setup.mark_driven()
        return jogged

    def jog_bounds(self) -> tuple[float, float]:
        """The lowest and highest place (um) that the carriage may be moved to by hand."""
        low_um, high_um = self.carriage.limits_um
        least_um = self.setup.clearance_of(self.setup.document).least_depth_um
        places = self.setup.chain.places
        return low_um if least_um is None else max(low_um, places.lowest_um(least_um)), high_um

    def check_jog(self, axis: str, speed_um_s: float) -> None:
        """Raise Refused (unknown_name, limit, not_homed, clearance) for what may not be moved by hand, or so fast."""
        check_goes_along(driven(self.assembly, axis), axis)
        fastest = max(self.file.motion.jog_um_s)
        if abs(speed_um_s) > fastest:
            raise too_fast_by_hand(speed_um_s, fastest)
        self.trust.require()
        limit, place_um = self.setup.clearance_of(self.setup.document), self.carriage.place_um
        if limit.question is not None and limit.least_depth_um is None and place_um is not None:
            self.setup.check_depth(self.setup.chain.places.depth_um(place_um))  # nobody knows how far the lens reaches

    def check_reach(self, carriage_um: float) -> None:
        """Raise Refused (not_homed, limit, clearance) for a position that the carriage may not go to."""
        self.trust.require()
        check_limits(carriage_um, self.carriage.limits_um, self.setup.chain.places)
        self.setup.check_depth(self.setup.chain.places.depth_um(carriage_um - self.carriage.overshoot_um))

    # Readings, sweeps

    async def read(self, name: str) -> Reading:
        """One reading of an encoder, gauge, meter or axis, by role or name."""
        device = readable(self.assembly, name)
        return await (self.carriage if device is self.assembly.named(CARRIAGE, Axis) else device).read()

    async def read_motor(self, name: str) -> Reading:
        """What an axis counts itself, by role or name, whatever scale there is. Raises Refused('bad_request')."""
        device = readable(self.assembly, name)
        if not isinstance(device, Axis):
            raise no_motor(name)
        return await device.read()

    @property
    def f_number(self) -> float | None:
        """The f-number in force: the set-up's, else the lens's own."""
        document = self.setup.document
        if document.f_number is not None:
            return document.f_number
        return None if document.lens is None else self.loaded.records.lens(document.lens).f_number

    def check_order(self, order: SweepOrder) -> Detector:
        """Raise Refused (bad_request, unknown_name) for a sweep that this bench cannot take; gives its detector."""
        chosen = self.detectors.chosen(order.merit, order.lp_mm)
        if order.mode == "continuous":
            check_continuous(self.assembly, chosen.detector)
        if order.span_um is not None and order.step_um is not None:  # else they follow the measured curve
            check_points(order.repeats * per_pass(order.span_um, order.step_um))
        return chosen.detector

    async def sweep(self, order: SweepOrder, run: RunRecord, gate: Gate, progress: Progress) -> SweepData:
        """Take a sweep. Raises Refused (not_homed, not_driven, not_found, limit, clearance, bad_request), Stopped."""
        detector = self.check_order(order)
        f_number = self.f_number
        if f_number is None:
            raise no_lens()
        self.trust.require()
        self.rings.check()
        lens = self.setup.document.lens
        if lens is not None:
            await warn_if_infeasible(self.setup.chain, self.loaded.records.lens(lens), self.analysis, self.events)
        sweeper = Sweeper(self.carriage, detector, self.analysis, self.setup, self.store, self.notices, self.clock)
        expected_um = None
        if order.about == "expected":
            expected_um = await expected_offset_um(self.store, self.loaded.records, self.setup.document)
        before = run.sweeps[-1] if run.sweeps and not self._lit_anew(run.sweeps[-1]) else None
        disturbances = self._disturbances()
        leans = await keep_lean(self.sensors, run, self.store, self.notices)
        await disturbances.begin()
        try:
            data = await sweeper.sweep(order, f_number, run, gate, progress, before, expected_um)
        except BenchdError as error:
            await disturbances.explain(error)
            raise
        data.flags += [*leans, *await disturbances.changes()]
        run.sweeps.append(data)
        return data

    def _lit_anew(self, sweep: SweepData) -> bool:
        """Whether the target's light was set since, for which exposures have to be found again."""
        light = self.assembly.in_role(TARGET_LIGHT, Light)
        began = min((point.t_mono for point in sweep.points), default=0.0)
        return light is not None and bool(self.lights.set_since(light.name, began))

    def _disturbances(self) -> Disturbances:
        light = self.assembly.in_role(TARGET_LIGHT, Light)
        thermometer = self.assembly.in_role("temperature", Meter)
        typed_C, u_K = self.setup.document.temperature_C, self.setup.temperature.u_K
        return Disturbances(self.lights, light, thermometer, typed_C, u_K, self.clock)

    def _used(self) -> Collection[str]:
        """What must not change under the job that is under way."""
        if self.jobs.kind is None:
            return ()
        setup = self.setup.document
        by_run = self.used_by_run if self.jobs.kind == "run" else ()
        return {*by_run, *setup.adapters, *setup.glass, *((setup.lens,) if setup.lens else ())}

    # Lost trust, ended jobs

    def _trust_lost(self, kind: str, why: str) -> None:
        self.setup.mark_stale()
        if kind != "homing":
            self.events.tell(
                "not_homed",
                f"The position is not trusted any more: {why}.",
                severity="error",
                advice="Find the cause, then home again.",
                data={"kind": kind},
            )

    def _job_ended(self, kind: str, cause: str | None, result: Any, error: BaseException | None) -> None:
        data = result if isinstance(result, dict) else {}
        what = f"Run {data['run']} ({data['procedure']})" if "procedure" in data else f"'{kind}'"
        if error is None:
            self.events.tell("done", f"{what} is done.", data={"verb": kind, **data}, cause=cause)
        elif isinstance(error, Stopped):
            by = "" if error.by is None else f" by {error.by}"
            text, data = f"{what} was {error.how}{by}.", {"verb": kind, "user": error.by, **data}
            self.events.tell("stopped", text, severity="warning", cause=cause, data=data)
        elif isinstance(error, BenchdError):
            self.events.error(error, cause=cause, data=data)
        else:
            text, advice = f"{what} failed inside benchd: {error!r}.", "The log has the cause."
            self.events.tell("device_fault", text, severity="error", advice=advice, cause=cause, data=data)

    async def close(self) -> None:
        """Cancel the job under way (which brings its axis to rest), refuse further ones, end timers and the worker.

        Idempotent. The daemon closes the devices afterwards.
        """
        if self.pointer is not None:
            self.pointer.put_out()
        await self.jobs.close(Stopped())
        await self.lights.close()
        await self.barrel.close()
        await self.events.close()
        await self.analysis.close()
