"""A frame of DMX512-A and its times. Source: ANSI E1.11, tables 6 and 7, as quoted in manuals of equipment."""

from __future__ import annotations

BAUD = 250_000
BITS_A_SLOT = 11
"""A start bit, eight of data, two stop bits."""
SLOT_S = BITS_A_SLOT / BAUD
BREAK_S, MARK_S = 92e-6, 12e-6
"""The least that a transmitter sends of the break, and of the mark after it."""
BETWEEN_BREAKS_S = (1204e-6, 1.0)
"""From one break to the next, least and most."""
FEWEST_SLOTS, MOST_SLOTS = 24, 512
"""With 24 a frame is as long as it has to be; with fewer it would need a pause, which nothing here makes."""
NULL_START = b"\0"
"""The start code of levels; what follows another one is no level."""


def data_s(slots: int) -> float:
    """Start code and slots (s)."""
    return (1 + slots) * SLOT_S


def frame_s(slots: int) -> float:
    """The shortest frame, break to break (s)."""
    return BREAK_S + MARK_S + data_s(slots)
