"""A controller that is held hears no line: a caller is told so at once, and what a person does.

Only cycle start makes it go on, and what it then goes on with nobody asked for just now: it is never sent. A reset at
standstill lets it go instead, and empties its queue; it is made for the next command once the door is shut, and by a
stop. Where it finds the position changed, that is a surprise like any other.
"""

from __future__ import annotations

import asyncio

from benchd.devices import DeviceError, Health, now_s
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_status import HELD, HELD_S, Report
from benchd_drivers.gcode_words import ASLEEP, CHECKING, LET_GO, held_words

REST_S = 1.0


def held_health(device: str, board: GcodeBoard) -> Health | None:
    """What a device on a held controller says of itself; None where it is not held, or by a stop under way."""
    report = board.held
    if report is None:
        state = board.last.state if board.last is not None else ""
        words = {"Check": ("check_mode", f"{CHECKING} {LET_GO}"), "Sleep": ("asleep", f"{ASLEEP} Homing wakes it.")}
        return Health("degraded", words[state][0], f"{device}: {words[state][1]}") if state in words else None
    text, advice = held_words(report.state, report.sub)
    return Health("degraded" if report.released else "fault", "interlock", f"{device}: {text} {advice}")


async def unheld(board: GcodeBoard, device: str) -> None:
    """Return once lines are heard. Raises DeviceError (`interlock`) where a person has to do something first."""
    deadline = now_s() + HELD_S
    while (report := await board.report()).state in HELD:
        if report.released:
            await empty(board)
        elif report.state == "Door" or now_s() > deadline:
            raise _refused(report, device)
        else:
            await asyncio.sleep(0.05)  # by a stop that is about to let it go


async def empty(board: GcodeBoard) -> None:
    """Reset it where it is held at standstill, so that nothing that waits in it happens later."""
    async with board.gate:
        if (await board.report()).state not in HELD:
            return  # somebody else has
        if not await halt(board, jogging=False, rest_s=REST_S, flush=True):
            board.lost_place()
    await board.restore()


def _refused(report: Report, device: str) -> DeviceError:
    text, advice = held_words(report.state, report.sub)
    return DeviceError(f"{device}: {text}", advice=advice, device=device, code="interlock")
