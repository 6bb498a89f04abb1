"""Lines on their way to a G-code controller, and which answer belongs to which: they come in order, or never."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field

from benchd.devices import DeviceError, now_s
from benchd_drivers.gcode_errors import LineUnanswered

HOME = "$H"
"""Homes all axes that the controller is set to home; with a letter behind it that one alone."""
LINES_AHEAD = 3
"""Of at most 40 bytes each, so that the controller's receive buffer of 128 never overflows."""
ANSWER_LOST_S = 1.0
"""An idle controller answers a line within milliseconds; after this its answer is lost."""


@dataclass(eq=False)
class Sent:
    """A line on its way; `answer` ends with None for ok, or with one of `gcode_errors`."""

    text: str
    answer: asyncio.Future[None]
    t_mono: float = field(default_factory=now_s)

    def give_up(self) -> None:
        """Nobody waits any more; the answer, if it comes, is still matched to this line."""
        self.answer.add_done_callback(lambda done: done.cancelled() or done.exception())


class AnswerQueue:
    """The lines that were written and not answered, oldest first; `room` is awaited before one is added."""

    def __init__(self) -> None:
        self._sent: deque[Sent] = deque()
        self.room = asyncio.Semaphore(LINES_AHEAD)

    def __bool__(self) -> bool:
        return bool(self._sent)

    @property
    def oldest(self) -> str:
        """The line whose answer is due, '?' where none is."""
        return self._sent[0].text if self._sent else "?"

    @property
    def homing(self) -> bool:
        """Whether the controller is at its homing cycle, as far as was told."""
        return any(sent.text.startswith(HOME) for sent in self._sent)

    def add(self, sent: Sent) -> None:
        """A line is about to be written."""
        self._sent.append(sent)

    def withdraw(self, sent: Sent) -> None:
        """It could not be written; its room is free again."""
        if sent in self._sent:
            self._sent.remove(sent)
        if not sent.answer.done():  # else it left the queue by itself, and its room with it
            self.room.release()

    def answered(self, error: DeviceError | None) -> None:
        """The next answer has come; one that nobody waits for is dropped."""
        if self._sent:
            self._end(self._sent.popleft(), error)

    def forget(self, error: DeviceError) -> None:
        """None of the lines will be answered any more."""
        while self._sent:
            self._end(self._sent.popleft(), error)

    def drop_unanswered(self, idle_since: float, now: float) -> None:
        """Of an idle controller's lines those whose answers must have been lost. Times are monotonic."""
        while self._sent and now - max(idle_since, self._sent[0].t_mono) > ANSWER_LOST_S:
            sent = self._sent.popleft()
            self._end(sent, LineUnanswered(f"The controller never answered '{sent.text}'."))

    def _end(self, sent: Sent, error: DeviceError | None) -> None:
        self.room.release()
        if sent.answer.done():
            return
        if error is None:
            sent.answer.set_result(None)
        else:
            sent.answer.set_exception(error)
