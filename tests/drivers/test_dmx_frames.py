"""DMX512-A on the line: its times against published figures, from the calls made on the port, and its bytes.

A pseudo-terminal carries no break, so that breaks are timed where the port is told to begin and to end one.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar

import pytest

from benchd.testing.leaks import no_leaks
from benchd_drivers.dmx_frame import BREAK_S, MARK_S, SLOT_S, frame_s
from benchd_drivers.dmx_link import DmxLink, DmxPort
from tests.drivers.dimmer import dmx_line

__all__ = ["no_leaks"]

SOURCE = "ANSI E1.11 tables 6 and 7, as quoted in manuals of equipment"


class RecordedPort(DmxPort):
    """Notes when each call began and had ended."""

    calls: ClassVar[list[tuple[str, float, float, bytes]]] = []

    def space(self, on: bool) -> None:
        began_s = time.monotonic()
        super().space(on)
        self.calls.append(("break" if on else "mark", began_s, time.monotonic(), b""))

    def write(self, data: memoryview) -> int:
        began_s = time.monotonic()
        taken = super().write(data)
        self.calls.append(("write", began_s, time.monotonic(), bytes(data[:taken])))
        return taken


class RecordedLink(DmxLink):
    def _open_port(self, where: str) -> Any:
        return RecordedPort(where)


@asynccontextmanager
async def recorded(folder: Path, **keys: Any) -> AsyncIterator[tuple[RecordedLink, list[Any]]]:
    async with dmx_line(folder) as line:
        link = RecordedLink("line", DmxLink.Config(port=line.port, **keys))
        RecordedPort.calls.clear()
        await link.open()
        try:
            yield link, RecordedPort.calls
        finally:
            await link.close()


@pytest.mark.published
def test_times_of_a_frame() -> None:
    """Source: SOURCE, check W5: a slot 44 us at 250 kbaud 8N2; 512 slots 22676 us, 44.10 Hz; 24 slots 1204 us."""
    assert pytest.approx(44e-6) == SLOT_S
    assert frame_s(512) == pytest.approx(22_676e-6, abs=1e-9)
    assert 1 / frame_s(512) == pytest.approx(44.10, abs=0.005)
    assert frame_s(24) == pytest.approx(1204e-6, abs=1e-9)


@pytest.mark.published
@pytest.mark.parametrize(("slots", "refresh_hz"), [(512, 40.0), (24, 250.0)])
async def test_times_on_the_port(tmp_path: Path, slots: int, refresh_hz: float) -> None:
    """Source: SOURCE: break >= 92 us, mark after it >= 12 us, from break to break 1204 us to 1 s, start code 0."""
    async with recorded(tmp_path, slots=slots, refresh_hz=refresh_hz) as (link, calls):
        for _ in range(8):
            await link.send({1: 7})
    names = [name for name, *_ in calls]
    assert names == ["break", "mark", "write"] * (len(calls) // 3)
    frames = [calls[at : at + 3] for at in range(0, len(calls), 3)]
    assert len(frames) >= 8
    for (_, _, broken_s, _), (_, ends_s, marked_s, _), (_, begins_s, _, data) in frames:
        assert ends_s - broken_s >= BREAK_S
        assert begins_s - marked_s >= MARK_S
        assert len(data) == 1 + slots
        assert data[0] == 0
    begun = [frame[0][1] for frame in frames]
    gaps = [later - sooner for sooner, later in pairwise(begun)]
    assert min(gaps) >= max(1204e-6, frame_s(slots))
    assert max(gaps) <= 1.0


async def test_a_frame_is_through_before_the_next_break(tmp_path: Path) -> None:
    """A break is not queued behind the slots: one that comes early cuts the frame before it."""
    async with recorded(tmp_path) as (link, calls):
        for _ in range(4):
            await link.send({3: 1})
    written = [(name, began_s) for name, began_s, _, _ in calls if name in ("write", "break")][1:]
    through = [later_s - sooner_s for (what, sooner_s), (_, later_s) in pairwise(written) if what == "write"]
    assert len(through) >= 3
    assert min(through) >= 513 * SLOT_S


async def test_what_is_asked_for_goes_out_before_its_turn(tmp_path: Path) -> None:
    async with recorded(tmp_path, slots=24, refresh_hz=2.0) as (link, calls):
        await link.send({24: 255})
        first = len(calls)
        asked_s = time.monotonic()
        await link.send({24: 254})
        (_, _, _, data) = calls[-1]
        assert time.monotonic() - asked_s < 0.4, "half a second is its turn"
        assert len(calls) == first + 3
    assert data == bytes(24) + b"\xfe"


async def test_the_frame_is_repeated_though_the_loop_stands(tmp_path: Path) -> None:
    async with recorded(tmp_path, slots=24, refresh_hz=50.0) as (link, calls):
        await link.send({1: 9})
        before = len(calls)
        time.sleep(0.3)  # noqa: ASYNC251 - the loop stands, that is the point
        assert len(calls) - before >= 3 * 5
    await asyncio.sleep(0)


def test_a_rate_that_frames_do_not_fit_into_is_refused() -> None:
    with pytest.raises(ValueError, match="at most 40 with 512 slots"):
        DmxLink.Config(port="x", refresh_hz=44.0)
    with pytest.raises(ValueError, match="greater than or equal to 2"):
        DmxLink.Config(port="x", refresh_hz=1.0)
    with pytest.raises(ValueError, match="greater than or equal to 24"):
        DmxLink.Config(port="x", slots=23)
    with pytest.raises(ValueError, match="either port or match"):
        DmxLink.Config()
