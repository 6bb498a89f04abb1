"""Making contact with a G-code controller: whatever it is at, it is brought to rest and begins anew; then it is asked.

Stop first, then ask: a controller in motion says nothing of who it is, and while one waits for that the carriage runs.
It is reset always, so that nothing that waits in it happens later, its output is dark, and its banner is heard, by
which it is told from another one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.devices import DeviceError, Identity, LinkTimeout, now_s
from benchd_drivers.gcode_errors import LineHeld, LineRefused, LineUnanswered
from benchd_drivers.gcode_halt import halt
from benchd_drivers.gcode_status import HOLD, JOG_CANCEL, RESET, Report, identity_in
from benchd_drivers.gcode_words import held_words

if TYPE_CHECKING:
    from benchd_drivers.gcode_board import GcodeBoard

BOOT_S = 4.0
"""Opening the port resets many boards; this long they may take to speak."""
REST_S = 3.0
"""What coming to rest may take of a motion that nobody here knows."""
TRIES = 3
"""Where the end of a line was lost the next one is refused with it; the third is heard alone."""


async def at_rest_anew(board: GcodeBoard) -> None:
    """Raises LinkTimeout (nothing that speaks this protocol answers), LineHeld (a door is open), MotionFailed."""
    report = await _first_word(board)
    if report.state == "Door" and not report.released and report.at_rest:
        text, advice = held_words(report.state, report.sub)
        raise LineHeld(text, advice=advice, code="interlock")
    if report.state in ("Idle", "Alarm") and board.restarted:
        return  # by the opening of its port, or to be heard at all
    if not report.at_rest:
        board.link.urgent(JOG_CANCEL + HOLD if report.state == "Jog" else HOLD)
    async with board.gate:
        await halt(board, jogging=report.state == "Jog", rest_s=REST_S, flush=True)


async def _first_word(board: GcodeBoard) -> Report:
    """After a limit, and while they home, some controllers are deaf to all but a reset; a while to that as well."""
    half = now_s() + BOOT_S / 2
    deadline = half + BOOT_S / 2
    while True:
        try:
            return await board.report()
        except LinkTimeout:
            now = now_s()
            if now > deadline:
                raise
            if now > half:
                board.link.urgent(RESET)


async def introduced(board: GcodeBoard) -> Identity:
    """Name, version and the text a user may have stored in the board, from `$I`; its settings, and the lines that it
    carries out by itself.

    A controller may refuse to tell either. One that is silent about it is asked again, then DeviceError is raised: the
    bench file would be held against nothing.
    """
    for question, what in (("$I", "who it is"), ("$$", "how it is set"), ("$N", "what it does when it starts")):
        await _asked(board, question, what)
    return identity_in(board.told)


async def _asked(board: GcodeBoard, question: str, what: str) -> None:
    for left in reversed(range(TRIES)):
        try:
            await board.line(question, limit_s=2.0)
            return
        except (LineRefused, LineUnanswered) as error:
            if isinstance(error, LineRefused) and left == TRIES - 1:
                return  # it knows no such question; later the rest of a broken line may have been refused with it
            if not left:
                raise DeviceError(
                    f"The controller on link {board.link.name} does not tell {what}: it has not answered "
                    f"'{question}', asked {TRIES} times.",
                    advice="Check cable and baud rate, then switch the controller off and on.",
                    device=board.link.name,
                    frames=board.link.recent,
                ) from error
