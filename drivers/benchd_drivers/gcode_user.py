"""What a device on a G-code controller is told of what happens to all of it."""

from __future__ import annotations

from abc import abstractmethod
from typing import Literal, Protocol

from benchd_drivers.gcode_status import Report

Restart = Literal["on_purpose", "after_alarm", "unasked"]
"""Why a controller began anew: this daemon reset it, it does so by itself after an alarm that was told, or neither."""


class BoardUser(Protocol):
    """A device on the board, told of what happens to all of it. Called on the event loop; must not block."""

    name: str

    @property
    @abstractmethod
    def busy(self) -> bool:
        """Whether it has asked the controller for motion that is not known to have ended."""

    @abstractmethod
    def on_alarm(self, number: int) -> None: ...
    @abstractmethod
    def on_reset(self, restart: Restart) -> None: ...
    @abstractmethod
    def on_place_lost(self, why: str) -> None: ...
    @abstractmethod
    def on_lost(self, text: str) -> None: ...
    @abstractmethod
    def on_report(self, report: Report) -> None: ...
    @abstractmethod
    async def after_reset(self) -> None:
        """Bring back what a reset on purpose took away."""

    @abstractmethod
    async def after_homing(self) -> None:
        """Bring back what homing took away."""
