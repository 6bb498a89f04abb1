"""Bringing a G-code controller to rest, and knowing that it is.

The stop byte has been written already when `halt` is called; here its effect is watched, the byte written again where
it was lost (jog-cancel bytes are, in some states), and the queue emptied by a reset: at standstill that keeps the
position. A controller that still moves after its time is reset in motion, which costs the position.
"""

from __future__ import annotations

import asyncio
import math
from typing import TYPE_CHECKING

from benchd.devices import LinkTimeout, MotionFailed, now_s
from benchd_drivers.gcode_status import HOLD, JOG_CANCEL, Report

if TYPE_CHECKING:
    from benchd_drivers.gcode_board import GcodeBoard

AGAIN_S = 0.1
"""The stop byte is written again this often while the controller goes on as if it had not heard it."""
UNREAD_S = 0.2
"""A line that was written just before the stop is read within this, or its answer is lost."""
STARTS_S = 0.05
"""A controller may be idle for a moment between reading a line and moving."""
SILENT_S = 0.5
LOOKS = 2
"""Of a stop byte and a question that come together some controllers look at the question first: that one is idle is
believed on the second report after the byte."""


async def halt(board: GcodeBoard, *, jogging: bool, rest_s: float, flush: bool = False) -> bool:
    """Wait for standstill, empty the queue; True where the position was kept. Hold `board.gate`.

    `rest_s` is how long coming to rest may take; `flush` resets even where nothing is queued. Raises LinkTimeout
    or LinkError (the controller cannot be asked: nobody knows), MotionFailed (it does not obey).
    """
    report = await _at_rest(board, HOLD + JOG_CANCEL if jogging else HOLD, rest_s)
    if report is None:
        await board.reset()
        await _after_reset(board)
        return False
    if report.state in ("Idle", "Alarm") and not board.waiting and not flush:
        return True
    before, was = report.machine(board.wco), report.state
    await board.reset()
    report = await _after_reset(board)
    after = report.machine(board.wco)
    moved = (
        before is not None
        and after is not None
        and any(abs(a - b) > 0.002 for a, b in zip(before, after, strict=False))
    )
    return not moved and (report.state != "Alarm" or was == "Alarm")


async def _at_rest(board: GcodeBoard, again: bytes, rest_s: float) -> Report | None:
    """The report that shows standstill; None where it does not come to rest, or tells nothing."""
    began = heard = written = now_s()
    unread = -math.inf
    last: Report | None = None
    looks = 0
    while True:
        now = now_s()
        unread = now if board.waiting else unread
        if board.silent_why:
            return None
        try:
            report = await board.report()
        except LinkTimeout:
            if now - heard > SILENT_S:
                return None
            board.link.urgent(again)
            continue
        heard = now
        looks += 1
        if report.state == "Idle" and now - unread < STARTS_S and now - began < UNREAD_S:
            # The stop byte has overtaken a line and found nothing to stop. What that line begins is stopped as soon
            # as it shows: a reset now would fall into its first steps, and cost the position.
            written = -math.inf
        elif report.state == "Idle" and looks < LOOKS:
            pass
        elif report.at_rest or _same_place(board, last, report):
            return report
        if now - began > rest_s + 4 * AGAIN_S:
            return None
        if report.state in ("Run", "Jog", "Home") and now - written > AGAIN_S:
            board.link.urgent(again)
            written, looks = now, 0
        last = report
        await asyncio.sleep(0.02 if report.sub is None and report.state == "Hold" else 0.005)


def _same_place(board: GcodeBoard, last: Report | None, report: Report) -> bool:
    """A hold without a sub-state does not say whether it still moves; two equal positions in a row do."""
    if last is None or last.state != report.state or report.state not in ("Hold", "Door") or report.sub is not None:
        return False
    place = report.machine(board.wco)
    return place is not None and place == last.machine(board.wco)


async def _after_reset(board: GcodeBoard) -> Report:
    """The controller's report once more; a reset byte that was lost is written again, twice at most."""
    for _ in range(3):
        report = await board.report()
        if report.state in ("Idle", "Alarm", "Sleep") or (report.state == "Door" and report.sub == 1):
            return report  # an open door lasts beyond a reset, and moves nothing
        await board.reset()
    raise MotionFailed(
        f"The controller on link {board.link.name} is in state {report.state} and does not obey a reset.",
        advice="Cut the motor's power at the bench.",
        device=board.link.name,
        frames=board.link.recent,
    )
