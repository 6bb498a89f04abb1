"""The cable between a device and its port: takes its time a byte at the host's speed, and misbehaves on demand.

Faults act on the bytes, below any meaning they have. Counted ones spend themselves; timed ones lapse.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any

BITS_A_BYTE = 10  # 8N1: start bit, eight data bits, stop bit
SHORTEST_WAIT_S = 0.0005  # below the event loop's own resolution
MOST_QUEUED = 65536

COUNTED = ("corrupt", "late", "split", "merge", "cut", "drop", "lose", "alter")
UNASKED = b"?\r\n"
TIMED = ("silence", "garbage", "flood", "stall", "wrong_baud")


class FaultRefused(Exception):
    """The fault asked for does not exist or lacks an argument; one sentence."""


class Lane:
    """One direction: chunks come out whole, each after the time its bytes need and never before the one ahead of it."""

    def __init__(self, baud: Callable[[], int], deliver: Callable[[bytes], None]) -> None:
        self._baud = baud
        self._deliver = deliver
        self._queue: deque[tuple[float, bytes]] = deque()
        self._queued = 0
        self._free_at = 0.0
        self._timer: asyncio.TimerHandle | None = None

    def push(self, data: bytes, extra_s: float = 0.0) -> None:
        loop = asyncio.get_running_loop()
        if self._queued + len(data) > MOST_QUEUED:
            return
        self._free_at = max(self._free_at, loop.time()) + len(data) * BITS_A_BYTE / self._baud() + extra_s
        self._queue.append((self._free_at, data))
        self._queued += len(data)
        if len(self._queue) == 1:
            self._release()

    def _release(self) -> None:
        loop = asyncio.get_running_loop()
        self._timer = None
        while self._queue:
            due, data = self._queue[0]
            if due - loop.time() > SHORTEST_WAIT_S:
                self._timer = loop.call_at(due, self._release)
                return
            self._queue.popleft()
            self._queued -= len(data)
            self._deliver(data)

    def clear(self) -> None:
        self._queue.clear()
        self._queued = 0
        self._free_at = 0.0
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class Wire:
    """Both directions of one cable. `seed` makes its garbage repeatable.

    Faults, with what they take (counts default to 1, times to 'until cleared'):
    corrupt n (one byte of each of n lines), late n s, split n gap_s, merge n, cut n (endings lost), drop n,
    lose n byte (towards the device), alter n from to (towards the device), silence s, garbage s,
    flood s (lines that nobody asked for, as many as the line carries), stall s (the device stops reading),
    wrong_baud s, clear.
    """

    def __init__(
        self,
        baud: Callable[[], int],
        to_host: Callable[[bytes], None],
        to_device: Callable[[bytes], None],
        *,
        stall: Callable[[bool], None],
        seed: int = 0,
    ) -> None:
        self._baud = baud
        self.out = Lane(baud, to_host)
        self.into = Lane(baud, to_device)
        self._stall = stall
        self._chance = random.Random(seed)
        self._counts: dict[str, int] = {}
        self._args: dict[str, Mapping[str, Any]] = {}
        self._timers: dict[str, asyncio.TimerHandle] = {}
        self._held: list[bytes] = []
        self._noise: asyncio.TimerHandle | None = None

    # ------------------------------------------------------------- traffic

    def send(self, line: bytes) -> None:
        """One whole line, ending included, from the device towards the host."""
        if "silence" in self._timers or self._spend("drop"):
            return
        if "wrong_baud" in self._timers:
            line = self._noise_bytes(len(line))
        if self._spend("corrupt"):
            at = self._chance.randrange(max(1, len(line) - 2))
            line = line[:at] + bytes([line[at] ^ (1 << self._chance.randrange(7))]) + line[at + 1 :]
        if self._spend("cut"):
            line = line.rstrip(b"\r\n")
        if self._spend("merge"):
            self._held.append(line)
            if "merge" in self._counts:
                return
            line = b"".join(self._held)
            self._held.clear()
        late_s = float(self._args["late"].get("s", 1.0)) if self._spend("late") else 0.0
        if self._spend("split"):
            gap_s = float(self._args["split"].get("gap_s", 0.05))
            for at in range(0, len(line), 3):
                self.out.push(line[at : at + 3], gap_s if at else late_s)
            return
        self.out.push(line, late_s)

    def receive(self, data: bytes) -> None:
        """Bytes from the host."""
        if "wrong_baud" in self._timers:
            data = self._noise_bytes(len(data))
        if "lose" in self._counts:
            lost = int(self._args["lose"]["byte"])
            data = bytes(byte for byte in data if byte != lost or not self._spend("lose"))
        if "alter" in self._counts:
            old, new = (ord(str(self._args["alter"][key])) for key in ("from", "to"))
            data = bytes(new if byte == old and self._spend("alter") else byte for byte in data)
        if data:
            self.into.push(data)

    # ------------------------------------------------------------- faults

    def fault(self, what: str, args: Mapping[str, Any]) -> bool:
        """Begin the fault; False if it is not one of the wire's. Raises FaultRefused."""
        if what == "clear":
            self.clear()
            return True
        if what in COUNTED:
            if what == "lose" and "byte" not in args:
                raise FaultRefused("lose: say which byte=, as a number (0x85 is 133).")
            if what == "alter" and not all(len(str(args.get(key, ""))) == 1 for key in ("from", "to")):
                raise FaultRefused("alter: say from= and to=, one character each.")
            self._counts[what] = int(args.get("n", 2 if what == "merge" else 1))
            self._args[what] = dict(args)
            return True
        if what in TIMED:
            self._begin(what, args.get("s"))
            return True
        return False

    def clear(self) -> None:
        """Every fault ends; what was held back or under way is dropped."""
        self._counts.clear()
        self._held.clear()
        for what in tuple(self._timers):
            self._end(what)
        self.out.clear()
        self.into.clear()

    def _spend(self, what: str) -> bool:
        left = self._counts.get(what, 0)
        if left > 1:
            self._counts[what] = left - 1
        elif left == 1:
            del self._counts[what]
        return left > 0

    def _begin(self, what: str, seconds: object) -> None:
        self._end(what)
        lasting = float(str(seconds)) if seconds is not None else 1e9
        self._timers[what] = asyncio.get_running_loop().call_later(lasting, self._end, what)
        if what == "stall":
            self._stall(True)
        if what == "garbage":
            self._babble()
        if what == "flood":
            self._flood()

    def _end(self, what: str) -> None:
        timer = self._timers.pop(what, None)
        if timer is None:
            return
        timer.cancel()
        if what == "stall":
            self._stall(False)
        if what == "garbage" and self._noise is not None:
            self._noise.cancel()

    def _babble(self) -> None:
        """Endless bytes without sense, lines of them now and then by chance, at a tenth of the line's speed or so."""
        if "garbage" in self._timers:
            self.out.push(self._noise_bytes(32))
            self._noise = asyncio.get_running_loop().call_later(0.02, self._babble)

    def _flood(self) -> None:
        if "flood" in self._timers:
            lines = int(self._baud() / BITS_A_BYTE * 0.02) // len(UNASKED) + 1
            self.out.push(UNASKED * lines)
            asyncio.get_running_loop().call_later(0.02, self._flood)

    def _noise_bytes(self, count: int) -> bytes:
        return self._chance.randbytes(count)
