"""How much a device may say: as much as its line carries, in portions; who never pauses says what nobody asked for."""

from __future__ import annotations

from benchd.devices import LinkError

PORTION = 1024
"""Bytes that are taken at a time; the lines in them are dealt with in a few milliseconds."""
BURST = 16 * 1024
"""So much may come at once, as a list of settings does over USB."""
FLOOD_S, FLOOD_SHARE = 3.0, 0.6
"""Who has said so much of what may be taken, over so long, floods: it is a fifth more than the line carries."""
FLOODED = "Switch the device off and on; check its firmware, and whether it was told to report unasked."


class Flood(LinkError):
    """The device never pauses."""


class Inflow:
    """Times and amounts of what is read; clock-free. `bytes_s` is twice what the line carries; `carries` says it."""

    def __init__(self, bytes_s: float, carries: str) -> None:
        self._bytes_s = bytes_s
        self._carries = carries
        self._allowed = float(BURST)
        self._at_s: float | None = None
        self._since_s: float | None = None
        self._taken = 0

    def wait_s(self, now_s: float) -> float:
        """How long nothing may be taken, 0 where it may."""
        if self._at_s is not None:
            self._allowed = min(float(BURST), self._allowed + (now_s - self._at_s) * self._bytes_s)
        self._at_s = now_s
        return 0.0 if self._allowed > 0.0 else (PORTION - self._allowed) / self._bytes_s

    def took(self, count: int, now_s: float) -> None:
        """So many bytes were read. Raises Flood."""
        self._allowed -= count
        self._taken += count
        if self._since_s is None:
            self._since_s = now_s
        took_s = now_s - self._since_s
        if took_s < FLOOD_S:
            return
        if self._taken > FLOOD_SHARE * self._bytes_s * took_s:
            raise Flood(
                f"it sends without a pause, {self._taken / 1000:.0f} kB in the last {took_s:.0f} s, {self._carries}; "
                "nothing it is asked for is as long",
                advice=FLOODED,
            )
        self._since_s, self._taken = now_s, 0


def of_baud(baud: int, bits: int = 10) -> Inflow:
    """What may come over a serial line: twice what it carries, and some more: over USB a rate is often a mere word.

    `bits` to a byte: a start and a stop bit come with it, and parity where there is one.
    """
    carried = baud / bits
    return Inflow(min(max(2 * carried, 32_000.0), 256_000.0), f"where {baud} baud carry {carried / 1000:.3g} kB/s")
