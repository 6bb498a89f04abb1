"""The motion board: up to three axes, one PWM output, one serial line.

Bytes come in by `feed`, whole lines go out by `say`. Real-time bytes act at once, whatever the queue holds.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from benchd_simulators.firmware.axis import axes_of
from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.news import LONGEST_TICK_S, TICK_S, News
from benchd_simulators.firmware.planner import MOST_MOVES, Planner
from benchd_simulators.firmware.program import Program
from benchd_simulators.firmware.report import Reporter
from benchd_simulators.firmware.settings import Settings
from benchd_simulators.firmware.state import Door, State
from benchd_simulators.firmware.status import RECEIVE_BYTES, snapshot

BANNER = "RSim 1.1 ['$' for help]"
ALARM_S = 0.5
"""After each alarm it waits so long for its line to be on the wire, and looks at nothing meanwhile. No world's time."""
BOOT_S = 1.0
"""For which a boot loader keeps the board from its program (from memory: of serial ones between .5 and 2 s)."""

SOFT_RESET, DOOR, JOG_CANCEL = 0x18, 0x84, 0x85
STATUS, HOLD, RESUME = ord("?"), ord("!"), ord("~")
REAL_TIME = bytes((STATUS, HOLD, RESUME, SOFT_RESET, *range(0x80, 0x100)))
"""No bytes of a line."""


class Board:
    """Powers up locked, as its homing is enabled. `run` has to be running; `say` gets lines without their ending."""

    def __init__(self, machine: Machine, say: Callable[[str], None], *, pace: float = 1.0, identity: str = "") -> None:
        self.machine = machine
        self.say = say
        self.build = Build(single_axes=len(machine.limbs) > 1)
        self.state = State(Settings(pace=pace, made=machine.board_settings), identity=identity)
        self.axes = axes_of(machine, self.state.settings, self.build)
        self.planner = Planner({letter: axis.limb.motor for letter, axis in self.axes.items()}, self.light)
        self.news = News(pace)
        self.received = bytearray()
        self.stuck_report = False  # a fault: every report repeats the last one
        self._program = Program(self)
        self._reporter = Reporter()
        self._last_report = ""
        self._asked = False  # while it homes: answered when it is done
        self._were_on: frozenset[str] = frozenset()
        self._stunned: asyncio.TimerHandle | None = None

    async def run(self) -> None:
        """Serve until cancelled."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._motion(), name="board motion")
                tasks.create_task(self._program.run(), name="board program")
        finally:
            self._come_round()

    async def _motion(self) -> None:
        """Keep the planner fed and watch the limits, as the step interrupt would."""
        planner = self.planner
        while True:
            if not planner.busy or (planner.held and not planner.moving and self.state.door is not Door.STOPPING):
                self._were_on = self.tripped
                self._door_at_rest()
                await self.news.wait()
                continue
            room = planner.room
            planner.poll()
            self._watch_limits()
            self._door_at_rest()
            if planner.room != room:
                self.news.notify()
            await self.news.wait_for(self._until_next_look_s())

    def _until_next_look_s(self) -> float:
        """In which neither the move under way can end nor a switch change."""
        state = self.state
        if self.planner.room < MOST_MOVES - 1:  # moves that run into each other
            return TICK_S
        moving = [axis for axis in self.axes.values() if axis.limb.motor.moving]
        world_s = min(
            (min(a.limb.motor.rests_in_s, a.limb.switches_off_um / a.settings.top_speed_um_s) for a in moving),
            default=0.0,
        )
        return max(min(world_s, LONGEST_TICK_S) / state.settings.pace, TICK_S)

    def _watch_limits(self) -> None:
        on = self.tripped
        if on - self._were_on and self.state.settings.hard_limits:
            self.planner.kill()
            self.critical(1)
        self._were_on = on

    @property
    def tripped(self) -> frozenset[str]:
        """The letters of the axes whose limit input is on."""
        return frozenset(letter for letter, axis in self.axes.items() if axis.tripped)

    def _door_at_rest(self) -> None:
        if self.state.door is Door.STOPPING and not self.planner.moving:
            self.state.door = Door.OPEN if self.state.ajar else Door.READY

    # ------------------------------------------------------------- bytes in

    def feed(self, data: bytes) -> None:
        """Bytes that the board finds together. It looks at real-time ones by kind, not by order: reset, report, hold,
        resume. Of two status queries the second is ignored."""
        plain = data.translate(None, REAL_TIME)
        if self.state.stunned:
            self.received += plain
            return
        if SOFT_RESET in data:
            self.soft_reset()
            return  # with all that came with it
        if self.state.critical:
            return
        if len(plain) < len(data):
            if STATUS in data:
                self._asked_for()
            for byte in (DOOR, JOG_CANCEL, HOLD, RESUME):
                if byte in data and not (byte == RESUME and HOLD in data):
                    self._real_time(byte)
        self.received += plain[: max(0, RECEIVE_BYTES - len(self.received))]
        self.news.notify()

    def _asked_for(self) -> None:
        if self.state.homing and not self.build.homing_reports:
            self._asked = True
        else:
            self._report()

    def homed(self) -> None:
        """The cycle has ended well."""
        if self._asked:
            self._asked = False
            self._report()
        self.state.homing = False

    def _real_time(self, byte: int) -> None:
        state, planner = self.state, self.planner
        if byte == DOOR and not (state.locked or state.checking):
            self._door_called()
        if state.homing or state.asleep:
            return
        if byte in (HOLD, JOG_CANCEL) and planner.jogging:
            planner.cancel_jog()
        elif byte == HOLD and not (state.locked or state.checking or state.door is not Door.SHUT or planner.held):
            planner.hold()  # at rest as well: it then looks at no line
            if state.settings.laser:
                self.light(0.0)
        elif byte == RESUME and state.door in (Door.SHUT, Door.READY) and not self.planner.moving:
            state.door = Door.SHUT
            planner.resume()

    def open_door(self) -> None:
        """The safety door opens."""
        self.state.ajar = True
        if self.state.locked:
            self.state.door = Door.OPEN  # told by its pin alone
            self.light(0.0)
        else:
            self._door_called()

    def _door_called(self) -> None:
        """By its input, or by its real-time byte, which stops all the same where there is no door."""
        self.say("[MSG:Check Door]")
        if self.state.homing:
            self.planner.kill()
            self._homing_broken_off(7)
            return
        if self.planner.jogging:
            self.planner.cancel_jog()
        elif self.planner.busy:
            self.planner.hold()
        self.state.door = Door.STOPPING
        self.light(0.0)
        self._door_at_rest()
        self.news.notify()

    def shut_door(self) -> None:
        """The door is shut again; `~` goes on, where a door that opened has suspended anything."""
        self.state.ajar = False
        if self.state.door is Door.OPEN:
            self.state.door = Door.SHUT if self.state.locked else Door.READY
        self.news.notify()

    # ------------------------------------------------------------- resets and alarms

    def soft_reset(self) -> None:
        """0x18: everything stops; what was moving has lost its place."""
        if self.state.homing:
            self._homing_broken_off(6)
        elif self.planner.moving and not self.state.critical:
            self.planner.kill()
            self._alarm(3, self._restart)
        else:
            self._restart()

    def reset_by_port(self) -> None:
        """A port that pulls the reset line as it opens: all stands and is dark at once, and nothing is looked at or
        said while the boot loader waits for a new program."""
        self.planner.kill()
        self.light(0.0)
        self._stun(BOOT_S, self.power_up)
        self.news.abort()

    def power_up(self) -> None:
        """As after a power failure: the count of steps is gone as well, and no line is answered."""
        self.planner.kill()
        for axis in self.axes.values():
            axis.limb.motor.zero()
            axis.coordinates.forget()
        self.state.locked = self.state.settings.homing
        self._program.in_hand = False
        self._restart()

    def homing_failed(self, alarm: int) -> None:
        """The cycle has ended by itself, in vain."""
        self._homing_broken_off(alarm)

    def _homing_broken_off(self, alarm: int) -> None:
        self.planner.kill()
        self.news.hold_still()
        self._alarm(alarm, self._restart)

    def critical(self, alarm: int) -> None:
        """A limit was met: dark, at rest, deaf until a reset that comes after its message."""
        self.state.critical = True
        self.light(0.0)
        self._alarm(alarm, lambda: self.say("[MSG:Reset to continue]"))

    def sleep(self) -> None:
        """Motors and output off, until a reset."""
        self.say("[MSG:Sleeping]")
        self.state.asleep = True
        self.light(0.0)

    def _alarm(self, number: int, then: Callable[[], None]) -> None:
        self.state.locked = True
        self._asked = False
        self.light(0.0)
        self.say(f"ALARM:{number}")
        self._stun(ALARM_S, then)

    def _stun(self, for_s: float, then: Callable[[], None]) -> None:
        """Look at nothing for a while. What it was stunned for before is forgotten."""
        self._come_round()
        self.state.stunned = True

        def over() -> None:
            self._stunned, self.state.stunned = None, False
            then()

        self._stunned = asyncio.get_running_loop().call_later(for_s, over)

    def _come_round(self) -> None:
        if self._stunned is not None:
            self._stunned.cancel()
            self._stunned = None

    def _restart(self) -> None:
        self._come_round()
        self.planner.kill()
        self._program.drop_line()
        self.state.restart()
        self.light(0.0)
        self.received.clear()
        self._asked = False
        self._reporter.restart()
        self.say("")
        self.say(BANNER)
        if self.state.settings.hard_limits and self.tripped:
            self.say("[MSG:Check Limits]")
        if self.state.locked:
            self.say("[MSG:'$H'|'$X' to unlock]")
        self.news.abort()

    # ------------------------------------------------------------- outputs

    def light(self, power: float) -> None:
        """Put an S value on the output, as far as the settings let it."""
        settings = self.state.settings
        self.state.power = settings.within(power)
        self.machine.lamp.set_level(settings.duty(self.state.power) if self.build.pwm else float(power > 0))

    @property
    def dead(self) -> bool:
        """An alarm has stopped all that it was at."""
        return self.state.critical or self.state.stunned

    @property
    def suspended(self) -> bool:
        """No line is looked at. A board that an alarm has locked does not go into `Door`."""
        if not self.state.locked and self.state.door is not Door.SHUT:
            return True
        return self.planner.held or self.planner.cancelling or self.dead or self.state.asleep

    def _report(self) -> None:
        if self.planner.busy:
            self.planner.poll()  # the state of this instant, as step interrupts would have it, not of the last tick
        self._door_at_rest()
        if not (self.stuck_report and self._last_report):
            settings = self.state.settings
            self._last_report = self._reporter.compose(
                snapshot(self),
                machine=settings.reports_machine,
                buffers=settings.reports_buffer,
                inches=settings.reports_inches,
            )
        self.say(self._last_report)
