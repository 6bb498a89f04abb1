"""The same sweep once more without benchd: blocking calls on the bare ports, nothing measured, nothing kept.

What it takes above the floor is the machine's and the simulated hardware's own: wake-ups, ticks, other people's work.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

import serial

from bench_floor import PICTURE, SETTINGS, Hardware, trapezoid_s
from bench_journal import Chunk, Motion, motions, requests
from bench_ready import BareCamera

WITHIN_S = 5.0


class Replay:
    """Replays what was asked of the hardware between two monotonic times, no more than a measurement needs."""

    def __init__(self, folder: Path, camera: BareCamera, hardware: Hardware) -> None:
        self._board = serial.Serial(str(folder / "board"), hardware.baud, timeout=WITHIN_S)
        self._counter = serial.Serial(str(folder / "counter"), hardware.baud, timeout=WITHIN_S)
        self._camera = camera
        self._hardware = hardware

    def run(self, chunks: Sequence[Chunk], start: float, end: float) -> float:
        """Seconds that it took."""
        steps: list[tuple[float, Motion | bytes]] = [
            (move.t, move) for move in motions(chunks, self._hardware.um_per_unit)
        ]
        steps += [(t, path) for path in (PICTURE, SETTINGS) for t in requests(chunks, path)]
        todo = [step for t, step in sorted(steps, key=lambda pair: pair[0]) if start <= t <= end]
        began = time.monotonic()
        for before, step, after in zip([None, *todo], todo, [*todo[1:], None], strict=False):
            if isinstance(step, Motion):
                self._move(step)
                if not isinstance(after, Motion):
                    time.sleep(self._hardware.settle_s)
                if after == PICTURE:
                    self._place()
            else:
                self._camera.fetch_s(step.decode())
                if step == PICTURE and isinstance(before, Motion):
                    self._place()
        return time.monotonic() - began

    def _move(self, move: Motion) -> None:
        self._board.write(move.text + b"\n")
        self._expect(self._board.read_until(b"ok\r\n"), b"ok")
        time.sleep(trapezoid_s(move.distance_um, move.speed_um_s, self._hardware.acceleration_um_s2))
        deadline = time.monotonic() + WITHIN_S
        while True:
            self._board.write(b"?")
            if self._board.read_until(b">\r\n").startswith(b"<Idle"):
                return
            if time.monotonic() > deadline:
                raise RuntimeError("the board does not come to rest in the replay")

    def _place(self) -> None:
        self._counter.write(b"P?\n")
        self._expect(self._counter.read_until(b"\n"), b"P=")

    def _expect(self, answer: bytes, what: bytes) -> None:
        if what not in answer:
            raise RuntimeError(f"the replay waited for {what!r} and got {answer!r}")

    def close(self) -> None:
        """Hang up."""
        self._board.close()
        self._counter.close()
