"""The motion board: one axis, one PWM output, one serial line.

Bytes come in by `feed`, whole lines go out by `say`. Real-time bytes act at once, whatever the queue holds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.news import TICK_S, News
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.firmware.program import Program
from benchd_simulators.firmware.report import Reporter, Snapshot
from benchd_simulators.firmware.state import Door, State

BANNER = "RSim 1.1 ['$' for help]"
RECEIVE_BYTES = 128

SOFT_RESET, DOOR, JOG_CANCEL = 0x18, 0x84, 0x85
STATUS, HOLD, RESUME = ord("?"), ord("!"), ord("~")


class Board:
    """Powers up locked, as its homing is enabled. `run` has to be running; `say` gets lines without their ending."""

    def __init__(self, machine: Machine, say: Callable[[str], None], *, pace: float = 1.0, identity: str = "") -> None:
        self.machine = machine
        self.say = say
        self.state = State(identity=identity)
        self.planner = Planner(machine.motor)
        self.news = News(pace)
        self.received = bytearray()
        self.stuck_report = False  # a fault: every report repeats the last one
        self._program = Program(self)
        self._reporter = Reporter()
        self._last_report = ""
        self._switch_was_on = False

    async def run(self) -> None:
        """Serve until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._motion(), name="board motion")
            tasks.create_task(self._program.run(), name="board program")

    async def _motion(self) -> None:
        """Keep the planner fed and watch the limits, as the step interrupt would."""
        motor, planner = self.machine.motor, self.planner
        while True:
            if not planner.busy or (planner.held and not motor.moving and self.state.door is not Door.STOPPING):
                self._switch_was_on = self._limit
                await self.news.wait()
                continue
            room = planner.room
            planner.poll()
            self._watch_limits()
            if self.state.door is Door.STOPPING and not motor.moving:
                self.state.door = Door.OPEN
            if planner.room != room:
                self.news.notify()
            await asyncio.sleep(TICK_S)

    def _watch_limits(self) -> None:
        on = self._limit
        if on and not self._switch_was_on and self.state.settings.hard_limits:
            self.planner.kill()
            self.critical(1)
        self._switch_was_on = on

    @property
    def _limit(self) -> bool:
        """Either end of the travel; the homing cycle listens to the low end alone."""
        return self.machine.limit_switch or self.machine.end_switch

    # ------------------------------------------------------------- bytes in

    def feed(self, data: bytes) -> None:
        """Bytes off the wire. Of two status queries in one go the second is ignored; a reset forgets the query."""
        asked = False
        for byte in data:
            if byte == STATUS:
                asked = True
            elif byte == SOFT_RESET:
                asked = False
                self.soft_reset()
            elif byte in (HOLD, RESUME) or byte >= 0x80:
                self._real_time(byte)
            elif len(self.received) < RECEIVE_BYTES:
                self.received.append(byte)
        if asked and not self.state.critical:
            self._report()
        self.news.notify()

    def _real_time(self, byte: int) -> None:
        if self.state.critical:
            return
        planner = self.planner
        if byte == DOOR:
            self.open_door()
        elif byte in (HOLD, JOG_CANCEL) and planner.jogging:
            planner.cancel_jog()
        elif byte == HOLD and planner.busy and not planner.held:
            planner.hold()
        elif byte == RESUME and self.state.door in (Door.SHUT, Door.READY) and not self.machine.motor.moving:
            self.state.door = Door.SHUT
            planner.resume()

    def open_door(self) -> None:
        """The safety door opens, or its real-time byte came."""
        self.say("[MSG:Check Door]")
        if self.state.homing:
            self._alarm(7)
            self._restart()
        elif self.planner.jogging:
            self.planner.cancel_jog()
        elif self.planner.busy:
            self.planner.hold()
        self.state.door = Door.STOPPING if self.machine.motor.moving else Door.OPEN
        self.light(0.0)
        self.news.notify()

    def shut_door(self) -> None:
        """The door is shut again; `~` goes on, where a door that opened has suspended anything."""
        if self.state.door is not Door.SHUT:
            self.state.door = Door.SHUT if self.state.locked else Door.READY
        self.news.notify()

    # ------------------------------------------------------------- resets and alarms

    def soft_reset(self) -> None:
        """0x18: everything stops; what was moving has lost its place."""
        if self.state.homing:
            self._alarm(6)
        elif self.machine.motor.moving:
            self._alarm(3)
        self._restart()

    def power_up(self) -> None:
        """As after a power failure: the count of steps is gone as well."""
        self.planner.kill()
        self.machine.motor.zero()
        self.state.locked = self.state.settings.homing
        self._restart()

    def homing_failed(self, alarm: int) -> None:
        self._alarm(alarm)
        self._restart()

    def critical(self, alarm: int) -> None:
        """A limit was met: dark, at rest, deaf until reset."""
        self._alarm(alarm)
        self.say("[MSG:Reset to continue]")
        self.state.critical = True
        self.light(0.0)
        self.news.abort()

    def _alarm(self, number: int) -> None:
        self.state.locked = True
        self.say(f"ALARM:{number}")

    def _restart(self) -> None:
        self.planner.kill()
        self.state.restart()
        self.light(0.0)
        self.received.clear()
        self._program.drop_line()
        self._reporter.restart()
        self.say("")
        self.say(BANNER)
        if self.state.settings.hard_limits and self._limit:
            self.say("[MSG:Check Limits]")
        if self.state.locked:
            self.say("[MSG:'$H'|'$X' to unlock]")
        self.news.abort()

    # ------------------------------------------------------------- outputs

    def light(self, power: float) -> None:
        """Put an S value on the PWM output."""
        self.state.power = power
        self.machine.lamp.set_level(self.state.settings.duty(power))

    @property
    def suspended(self) -> bool:
        """No line is looked at. A board that an alarm has locked does not go into `Door`."""
        if not self.state.locked and self.state.door is not Door.SHUT:
            return True
        return self.planner.held or self.planner.cancelling or self.state.critical

    @property
    def word(self) -> str:
        """The state as a report names it; the first that applies."""
        planner, state = self.planner, self.state
        candidates = (
            (state.homing, "Home"),
            (state.locked, "Alarm"),
            (state.checking, "Check"),
            (state.door is not Door.SHUT, f"Door:{state.door.value}"),
            (planner.held, f"Hold:{int(self.machine.motor.moving)}"),
            (planner.jogging, "Jog"),
            (planner.busy, "Run"),
        )
        return next((word for applies, word in candidates if applies), "Idle")

    def _report(self) -> None:
        if self.planner.busy:
            self.planner.poll()  # the state of this instant, as step interrupts would have it, not of the last tick
        if not (self.stuck_report and self._last_report):
            motor, settings = self.machine.motor, self.state.settings
            ajar = self.state.door in (Door.OPEN, Door.STOPPING)
            self._last_report = self._reporter.compose(
                Snapshot(
                    state=self.word,
                    z_mm=motor.position_um / 1000,
                    offset_mm=self.state.modal.offset_mm,
                    feed_mm_min=abs(motor.speed_um_s) * 60 / 1000,
                    power=self.state.power,
                    pins=("Z" if self._limit else "") + ("D" if ajar else ""),
                    blocks_free=self.planner.room,
                    bytes_free=RECEIVE_BYTES - len(self.received),
                ),
                machine=settings.reports_machine,
                buffers=settings.reports_buffer,
            )
        self.say(self._last_report)
