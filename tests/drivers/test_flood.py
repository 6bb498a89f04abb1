"""A device that never stops talking: the loop goes on turning, a stop still goes out, and the link is closed for it."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import threading
from collections.abc import Callable, Iterator

import pytest

from benchd.devices import LinkError, LinkTimeout, line
from benchd.testing.peer import PtyPeer
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.link.inflow import BURST, FLOOD_S, PORTION, Inflow
from benchd_drivers.link.port import SerialLink, TcpLink
from benchd_drivers.link.wire import PortLink

OKS = b"ok\r\n" * 1024


@contextlib.contextmanager
def without_end(say: Callable[[], None]) -> Iterator[None]:
    """Say it again and again, from a thread."""
    over = threading.Event()

    def go_on() -> None:
        with contextlib.suppress(OSError):
            while not over.is_set():
                say()

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()


async def beats_until_lost(link: PortLink) -> int:
    """How often a task that wants to run every 20 ms did so until the link was given up; a minute is enough."""
    beats = 0
    async with asyncio.timeout(60):
        while link.connected:
            await asyncio.sleep(0.02)
            beats += 1
    return beats


async def test_a_board_that_floods_lines_holds_up_nobody_and_is_closed_for_it() -> None:
    """A board said `ok` at 1 MB/s: no beat for 99 s, and a stop that wrote no byte."""
    with PtyPeer() as peer:
        link = SerialLink.create("board", SerialLink.Config(port=peer.path))
        await link.open()
        board = GcodeBoard.of(link, "stage")
        try:
            with without_end(lambda: peer.send(OKS)):
                pump = asyncio.create_task(board._listen(link.listen()))
                await asyncio.sleep(0.5)
                link.urgent(b"!")
                await asyncio.to_thread(peer.wait_for, b"!", 10.0)
                assert link.connected, "the stop went out while it flooded"
                assert await beats_until_lost(link) > 20
            await asyncio.wait_for(pump, 20.0)
            with pytest.raises(
                LinkError, match=r"lost: it sends without a pause, .* where 115200 baud carry 11.5 kB/s"
            ):
                link.urgent(b"!")
            with pytest.raises(LinkError, match="without a pause") as told:
                await link.query(b"?", line(), 1.0)
            assert "off and on" in told.value.advice
            with pytest.raises(LinkError, match="left alone for") as told:
                await link.open()
        finally:
            await link.close()


async def test_a_network_board_that_floods_is_closed_for_it() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = TcpLink.create("net", TcpLink.Config(url=f"socket://127.0.0.1:{server.getsockname()[1]}"))
        await link.open()
        other, _ = server.accept()
        try:
            other.settimeout(0.2)
            with without_end(lambda: _send_all(other, OKS)):
                asking = asyncio.create_task(_asked_again_and_again(link))
                assert await beats_until_lost(link) > 20
                await asyncio.wait_for(asking, 10.0)
            with pytest.raises(LinkError, match="without a pause"):
                link.urgent(b"!")
        finally:
            await link.close()
            other.close()


def _send_all(other: socket.socket, data: bytes) -> None:
    with contextlib.suppress(TimeoutError):
        other.sendall(data)


async def _asked_again_and_again(link: PortLink) -> None:
    while link.connected:
        with contextlib.suppress(LinkError, LinkTimeout):
            await link.query(b"P?\n", line(b"\0"), 0.3)


async def test_a_list_of_settings_at_once_is_no_flood() -> None:
    with PtyPeer() as peer:
        link = SerialLink.create("board", SerialLink.Config(port=peer.path))
        await link.open()
        heard = link.listen()
        try:
            await asyncio.to_thread(peer.send, b"".join(b"$%d=1.000\r\n" % n for n in range(200)))
            assert [await asyncio.wait_for(anext(heard), 10.0) for _ in range(200)][-1] == b"$199=1.000"
            assert link.connected
        finally:
            await link.close()


def test_what_a_line_carries_is_never_a_flood() -> None:
    """An hour of a line that is busy all the time, read in whatever pieces a busy machine reads it."""
    inflow, now_s, waiting = Inflow(32_000.0, ""), 0.0, 0.0
    for turn in range(36_000):
        now_s += 0.1
        waiting += 1152.0
        while waiting >= 1.0 and not inflow.wait_s(now_s):
            count = min(PORTION, int(waiting))
            inflow.took(count, now_s)
            waiting -= count
        assert waiting < 1.0, turn


def test_more_than_it_may_is_left_to_wait() -> None:
    inflow, taken = Inflow(32_000.0, ""), 0

    def read_until(now_s: float) -> None:
        nonlocal taken
        for turn in range(round(1000 * now_s)):
            if not inflow.wait_s(turn / 1000):
                inflow.took(PORTION, turn / 1000)
                taken += PORTION

    with pytest.raises(LinkError):
        read_until(FLOOD_S + 0.1)
    assert 32_000 * FLOOD_S <= taken <= BURST + 32_000 * (FLOOD_S + 0.1) + PORTION
