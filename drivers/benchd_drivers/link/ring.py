"""The last frames on a link, for the person who must find the cause."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Literal

from benchd.devices import FrameLog

FRAMES = 20
LONGEST = 1024


class Ring:
    """Keeps the last 20 frames; what comes in pieces is one frame up to its line end."""

    def __init__(self) -> None:
        self._frames: deque[FrameLog] = deque(maxlen=FRAMES)

    def log(self, direction: Literal["out", "in"], data: bytes, t_mono: float) -> None:
        """Add a frame, or a piece of the one under way."""
        last = self._frames[-1] if self._frames else None
        if direction == "in" and last and last.direction == "in" and last.data[-1:] != b"\n" and len(last.data) < 256:
            data, t_mono = last.data + data, last.t_mono
            self._frames.pop()
        self._frames.append(FrameLog(direction, data[:LONGEST], t_mono))

    @property
    def frames(self) -> Sequence[FrameLog]:
        """Oldest first."""
        return tuple(self._frames)
