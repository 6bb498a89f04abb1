"""What a device on a G-code controller is told of what happens to all of it."""

from __future__ import annotations

from abc import abstractmethod
from typing import Protocol

from benchd_drivers.gcode_status import Report


class BoardUser(Protocol):
    """A device on the board, told of what happens to all of it. Called on the event loop; must not block."""

    name: str

    @abstractmethod
    def on_alarm(self, number: int) -> None: ...
    @abstractmethod
    def on_reset(self, expected: bool) -> None: ...
    @abstractmethod
    def on_place_lost(self, why: str) -> None: ...
    @abstractmethod
    def on_lost(self, text: str) -> None: ...
    @abstractmethod
    def on_report(self, report: Report) -> None: ...
    @abstractmethod
    async def after_reset(self) -> None:
        """Bring back what a reset on purpose took away."""
