"""The `$` commands that look at the board or set it, none of which moves anything."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from benchd_simulators.firmware.build import Build
from benchd_simulators.firmware.gcode import AXES
from benchd_simulators.firmware.planner import Planner
from benchd_simulators.firmware.state import Door, State

HELP = "[HLP:$$ $# $G $I $x=val $J=line $SLP $C $X $H ~ ! ? ctrl-x]"
VERSION = "1.1r.20240229"


class Commanded(Protocol):
    """What the commands act on."""

    @property
    def state(self) -> State: ...
    @property
    def build(self) -> Build: ...
    @property
    def planner(self) -> Planner: ...
    def soft_reset(self) -> None: ...
    def sleep(self) -> None: ...


def system(board: Commanded, text: str, say: Callable[[str], None]) -> str:
    """Carry out one tidied `$` line, the dollar sign taken off. Returns its final answer."""
    state = board.state
    running = board.planner.busy and not board.planner.jogging
    idle = not (board.planner.busy or state.checking)  # an alarm counts as idle
    match text:
        case "":
            say(HELP)
        case "$" if not running:
            for line in state.settings.lines():
                say(line)
        case "G":
            say(_modes(state))
        case "X":
            if state.locked:
                if state.door is Door.OPEN:
                    return "error:13"
                state.locked = False
                say("[MSG:Caution: Unlocked]")
        case "C":
            return _toggle_check(board, say)
        case "$":
            return "error:8"
        case "#" | "I" | "SLP":
            if not idle:
                return "error:8"
            _told_at_rest(board, text, say)
        case _:
            return _assign(state, text, idle)
    return "ok"


def _told_at_rest(board: Commanded, text: str, say: Callable[[str], None]) -> None:
    if text == "#":
        _parameters(board.state, say)
    elif text == "I":
        say(f"[VER:{VERSION}:{board.state.identity}]")
        say(f"[OPT:{board.build.options}]")
    else:
        board.sleep()


def _toggle_check(board: Commanded, say: Callable[[str], None]) -> str:
    state = board.state
    if state.checking:
        say("[MSG:Disabled]")
        board.soft_reset()  # which answers
        return ""
    if state.locked or board.planner.busy:
        return "error:8"
    state.checking = True
    say("[MSG:Enabled]")
    return "ok"


def _assign(state: State, text: str, idle: bool) -> str:
    """`$x=value`, or `$I=text` that names the board."""
    name, equals, value = text.partition("=")
    if not equals or not (name == "I" or name.isdecimal()):
        return "error:3"
    if not idle:
        return "error:8"
    if name == "I":
        state.identity = value
        return "ok"
    try:
        number = float(value)
    except ValueError:
        return "error:2"
    if number < 0:
        return "error:4"
    return "ok" if state.settings.change(int(name), number) else "error:3"


def _parameters(state: State, say: Callable[[str], None]) -> None:
    for name, shifts in (("G54", state.modal.g54_mm), ("G92", state.modal.g92_mm)):
        say(f"[{name}:{','.join(f'{shifts.get(axis, 0.0):.3f}' for axis in AXES)}]")


def _modes(state: State) -> str:
    modal = state.modal
    return (
        f"[GC:G{modal.motion:g} G54 G17 G{20 if modal.inches else 21} G{90 if modal.absolute else 91} G94 "
        f"M{modal.spindle:g} M9 T0 F{modal.feed_mm_min:.0f} S{modal.power:.0f}]"
    )
