"""The scale's reference mark: passed on the way to the switch, or looked for near it."""

from __future__ import annotations

import asyncio

from benchd.bench.drive import Drive
from benchd.devices import AxisSpec, Encoder, HomeFailed

MARK_WITHIN_UM = 5000.0
MARK_ANSWER_S = 0.3


async def find_mark(drive: Drive, spec: AxisSpec, scale: Encoder, stops: int) -> None:
    """Pass the reference mark with an axis that stands at its switch. Raises HomeFailed where none is seen, Stopped."""
    seeking = asyncio.create_task(scale.seek_reference(), name="reference mark")
    try:
        await asyncio.wait([seeking], timeout=MARK_ANSWER_S)
        if not seeking.done():
            await drive.motor_to(min(spec.low + MARK_WITHIN_UM, spec.high), stops)
            await asyncio.wait([seeking], timeout=MARK_ANSWER_S)
        if not seeking.done():
            raise HomeFailed(
                f"The encoder's reference mark was not seen within {MARK_WITHIN_UM:.0f} µm of the switch.",
                advice="Check the encoder's head and its reference output.",
                device="position",
            )
        seeking.result()
    finally:
        seeking.cancel()
        await asyncio.wait([seeking])
