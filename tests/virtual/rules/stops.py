"""A stop's byte goes out within 20 ms of the broker's taking the stop, and standstill follows."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

BYTE_S = 0.02
REST_S = 3.0
BYTES = (b"!", b"\x85", b"\x18")


class Stops(Watched):
    """While the daemon is up, its connections are sound and the motor turns. `moving` asks the motor."""

    def __init__(self, moving: Callable[[], bool], sound: Callable[[], bool]) -> None:
        self._moving, self._sound = moving, sound
        self._byte_by: float | None = None
        self._up = False

    def daemon(self, up: bool) -> None:
        self._up, self._byte_by = up, None

    def done(self, step: Step) -> None:
        if step.who in ("broker", "board", "daemon"):
            self._byte_by = None

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb == "stop" and not retained and self._up and self._sound() and self._moving() and self._byte_by is None:
            self._byte_by = self.now() + BYTE_S

    def sent(self, port: str, data: bytes) -> None:
        self._look()
        if port == "board" and any(byte in data for byte in BYTES):
            self._byte_by = None

    def told(self, topic: str, document: Any) -> None:
        self._look()

    def _look(self) -> None:
        if self._byte_by is not None and self.now() > self._byte_by:
            self.fail("no stop byte came within 20 ms of the stop")
            self._byte_by = None
