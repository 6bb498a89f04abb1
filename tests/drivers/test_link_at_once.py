"""Bytes that wait for no turn: a line goes out while a status report is still owed, and takes nobody's answer."""

from __future__ import annotations

import asyncio

import pytest

from benchd.devices import LinkError, LinkTimeout, matching, nothing_at_once
from benchd.testing.peer import PtyPeer
from benchd_drivers.link.port import SerialLink

REPORT = matching(rb"<[^<>\r\n]*>")


async def test_a_line_does_not_wait_for_a_report_under_way() -> None:
    with PtyPeer() as peer:  # it answers only when told
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            heard = link.listen()
            asking = asyncio.create_task(link.query(b"?", REPORT, 5.0))
            await asyncio.to_thread(peer.wait_for, b"?")
            assert await link.query(b"M3 S1\n", nothing_at_once(), 1.0) == b""
            await asyncio.to_thread(peer.wait_for, b"M3 S1\n")
            assert not asking.done()
            peer.send(b"ok\r\n<Idle|MPos:1.000>\r\n")
            assert await asking == b"<Idle|MPos:1.000>"
            assert await anext(heard) == b"ok"
            assert [frame.data for frame in link.recent if frame.direction == "out"] == [b"?", b"M3 S1\n"]
        finally:
            await link.close()


async def test_a_line_that_the_port_does_not_take_is_told() -> None:
    with PtyPeer() as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path, write_timeout_s=5.0))
        await link.open()
        peer.deaf = True
        try:
            with pytest.raises((LinkTimeout, LinkError)):
                await link.query(b"x" * 1_000_000, nothing_at_once(), 0.3)  # far more than the kernel buffers
        finally:
            await link.close()


async def test_a_closed_link_takes_none() -> None:
    with PtyPeer() as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        await link.close()
        with pytest.raises(LinkError, match="closed"):
            await link.query(b"M5\n", nothing_at_once(), 1.0)
