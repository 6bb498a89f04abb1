"""All that turns on a bench: stopped with the carriage, asked for by the set-up, and gone by by what is under way."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Collection
from functools import partial

import structlog

from benchd.bench.assembly import ROTARY, Assembly
from benchd.bench.datum.current_setup import CurrentSetup
from benchd.bench.events import Events
from benchd.bench.jobs import Jobs
from benchd.bench.motion.positioner import Positioner
from benchd.bench.rings.angles import angles_of, not_turned, turned_rings
from benchd.bench.rings.turner import Turner
from benchd.devices import Axis, Clock, DeviceError
from benchd.errors import BenchdError
from benchd.files.loading import LoadedBench

_log = structlog.get_logger("benchd.motion")


class Rings:
    """The axes in the roles of `ROTARY`, by role. `named` are the names in inputs and steps of the run under way."""

    def __init__(
        self,
        loaded: LoadedBench,
        assembly: Assembly,
        carriage: Positioner,
        setup: CurrentSetup,
        events: Events,
        jobs: Jobs,
        named: Callable[[], Collection[str]],
        clock: Clock,
    ) -> None:
        self._loaded, self._assembly, self._setup = loaded, assembly, setup
        self._events, self._jobs, self._named = events, jobs, named
        self.turners = {
            str(role): Turner(
                str(role), turned, carriage.all_stops, carriage.wait_until_free, clock, partial(self._lost, str(role))
            )
            for role in ROTARY
            if (turned := assembly.in_role(role, Axis)) is not None
        }

    # Stopped

    async def stop_with(self, carriage: Callable[[], Awaitable[None]]) -> None:
        """Stop every ring beside the carriage, whose byte comes first, before a failure of any is told.

        Raises DeviceError where one may still move. A ring that was lost before obeys nothing: that it turned then
        fails the stop; that it stood is told as an event beside what the stop came to.
        """
        turned = [asyncio.create_task(turner.stop(), name=f"stop {role}") for role, turner in self.turners.items()]
        failed: DeviceError | None = None
        try:
            await carriage()
        except DeviceError as error:
            failed = error
        finally:
            ended = await asyncio.gather(*turned, return_exceptions=True)
        for turner, came in zip(self.turners.values(), ended, strict=True):
            if isinstance(came, DeviceError):
                if failed is None and turner.barred is None:
                    failed = came
                elif failed is None and turner.may_turn:
                    failed = _not_stopped(turner, came)
                else:
                    self._tell(_not_stopped(turner, came))
            elif came is not None:
                raise came
        if failed is not None:
            raise failed

    def _tell(self, error: DeviceError) -> None:
        _log.warning("not stopped", axis=error.device, why=error.text)
        self._events.tell(error.code, error.text, severity="error", advice=error.advice, data={"axis": error.device})

    # Where the set-up has them

    @property
    def wanted_deg(self) -> dict[str, float]:
        """The angles that the set-up asks of what turns, by role."""
        return angles_of(self._setup.document, self._loaded.records, self.turners)

    @property
    def turned(self) -> Collection[str]:
        """The rings of the lens in the set-up that axes turn."""
        setup = self._setup.document
        return turned_rings(setup.lens, setup.ring, self._loaded.records, self.turners)

    def to_turn_deg(self) -> dict[str, float]:
        """Those of rings that do not stand there. Raises Refused (not_homed, limit), DeviceError where one cannot."""
        wanted = {role: deg for role, deg in self.wanted_deg.items() if not self.turners[role].stands_at(deg)}
        for role, angle_deg in wanted.items():
            self.turners[role].check(angle_deg)
        return wanted

    def check(self) -> None:
        """Raise Refused('not_driven') where a ring does not stand where the set-up says that it does."""
        for role, angle_deg in self.wanted_deg.items():
            if not self.turners[role].stands_at(angle_deg):
                raise not_turned(role, angle_deg, self.turners[role].placed_deg)

    # What goes by them

    def goes_by(self, role: str) -> bool:
        """Whether what is under way goes by the angle of this axis: it turns, or a run names it or needs it set."""
        if self._jobs.kind is None:
            return False
        called = {role, self._assembly.roles[role]}
        try:
            needed = role in self.wanted_deg
        except BenchdError:  # a set-up that cannot be said has nothing that it could do without
            needed = True
        return needed or self.turners[role].state != "idle" or bool(called & set(self._named()))

    def _lost(self, role: str, kind: str, why: str) -> None:
        self.turners[role].placed_deg = None
        if kind != "homing":
            self._events.tell(
                "not_homed",
                f"The angle of {role} is not trusted any more: {why}.",
                severity="error",
                advice=f"Find the cause, then home {role} again.",
                data={"kind": kind, "axis": role},
            )


def _not_stopped(turner: Turner, error: DeviceError) -> DeviceError:
    why = turner.barred or error.text.rstrip(".")
    advice = "Use the emergency stop of the bench if it turns, and see to its cable."
    if turner.barred is not None and turner.may_turn:
        why = f"{why}, and it turned then"
        advice = "Cut its power now; then see to its cable, and home it."
    text = f"{turner.name} was not stopped: {why}. What it was told before it may still do."
    return DeviceError(text, code=error.code, advice=advice, device=turner.name)
