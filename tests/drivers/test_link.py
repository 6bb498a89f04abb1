"""Links over real pseudo-terminals and sockets; a test named after a fault carries its number."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from benchd.devices import LinkError, LinkGarbled, LinkTimeout, line, matching, nothing
from benchd.testing.lively import lively_loop
from benchd.testing.peer import PtyPeer, line_peer
from benchd_drivers.link.finding import Match, choose
from benchd_drivers.link.port import SerialLink, TcpLink
from benchd_drivers.link.questions import GRACE_S, QUIET_S


@asynccontextmanager
async def opened(peer: PtyPeer, **config: object) -> AsyncIterator[SerialLink]:
    link = SerialLink.create("wire", SerialLink.Config(port=peer.path, **config))
    await link.open()
    try:
        yield link
    finally:
        await link.close()


def echo(text: bytes) -> bytes:
    return b"echo " + text + b"\r\n"


async def test_query_returns_the_answer_and_logs_both_frames() -> None:
    with line_peer(echo) as peer:
        async with opened(peer) as link:
            assert await link.query(b"a\n", line(), 1.0) == b"echo a\r\n"
            assert [(f.direction, f.data) for f in link.recent] == [("out", b"a\n"), ("in", b"echo a\r\n")]


async def test_a_real_time_byte_without_line_end_is_a_query() -> None:
    def status(peer: PtyPeer, data: bytes) -> None:
        for _ in range(data.count(b"?")):
            peer.send(b"ok\r\n<Idle|MPos:0.000,0.000,0.000>\r\n[MSG:x]\r\n")

    with PtyPeer(status) as peer:
        async with opened(peer) as link:
            lines = link.listen()
            answer = await link.query(b"?", matching(rb"<[^<>\r\n]*>"), 1.0)
            assert answer == b"<Idle|MPos:0.000,0.000,0.000>"
            assert [await anext(lines), await anext(lines)] == [b"ok", b"[MSG:x]"]


async def test_commands_answered_elsewhere_return_when_written() -> None:
    with PtyPeer() as peer:
        async with opened(peer) as link:
            assert await link.query(b"G0\n", nothing, 1.0) == b""
            peer.wait_for(b"G0\n")


async def test_ring_keeps_twenty_frames() -> None:
    with line_peer(echo) as peer:
        async with opened(peer) as link:
            for n in range(15):
                await link.query(b"%d\n" % n, line(), 1.0)
            assert len(link.recent) == 20
            assert link.recent[-1].data == b"echo 14\r\n"


async def test_two_callers_each_get_their_own_answer() -> None:
    with line_peer(echo) as peer:
        async with opened(peer) as link:
            answers = await asyncio.gather(*(link.query(b"%d\n" % n, line(), 2.0) for n in range(50)))
            assert answers == [b"echo %d\r\n" % n for n in range(50)]


async def test_cancelled_query_leaves_the_link_usable() -> None:
    given_up = threading.Event()

    def slow(text: bytes) -> bytes:
        if text == b"slow":
            given_up.wait(20.0)
        return echo(text)

    with line_peer(slow) as peer:
        async with opened(peer) as link:
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.03):
                    await link.query(b"slow\n", line(), 20.0)
            given_up.set()
            assert await link.query(b"next\n", line(), 1.0) == b"echo next\r\n"


async def test_urgent_overtakes_a_queue_and_a_frame_under_way() -> None:
    with PtyPeer() as peer:
        async with opened(peer, write_timeout_s=5.0) as link:
            peer.deaf = True
            await asyncio.sleep(0.03)
            long = asyncio.create_task(link.query(b"x" * 60_000 + b"\n", nothing, 5.0))
            await asyncio.sleep(0.05)
            link.urgent(b"!")
            await asyncio.sleep(0.02)
            peer.deaf = False
            await long
            peer.wait_for(b"x\n")
            assert peer.received.count(b"!") == 1
            assert peer.received.index(b"!") < 40_000


async def test_close_is_idempotent_and_ends_listening_and_reopens() -> None:
    with line_peer(echo) as peer:
        async with opened(peer) as link:
            lines = link.listen()
            await link.close()
            await link.close()
            with pytest.raises(StopAsyncIteration):
                await anext(lines)
            with pytest.raises(LinkError, match="closed"):
                link.urgent(b"!")
            with pytest.raises(LinkError):
                await link.query(b"a\n", line(), 1.0)
            await link.open()
            assert await link.query(b"b\n", line(), 1.0) == b"echo b\r\n"


async def test_fault_19_unplugged_wakes_waiting_query_at_once() -> None:
    with PtyPeer() as peer:
        async with opened(peer) as link:
            lines = link.listen()
            waiting = asyncio.create_task(link.query(b"a\n", line(), 10.0))
            await asyncio.sleep(0.05)
            await asyncio.to_thread(peer.unplug)
            with pytest.raises(LinkError, match="lost") as caught:
                await waiting
            assert caught.value.code == "device_fault"  # and no `timeout`
            assert caught.value.frames[0].data == b"a\n"
            with pytest.raises(StopAsyncIteration):
                await anext(lines)
            assert not link.connected
            with pytest.raises(LinkError, match="lost"):
                link.urgent(b"!")


async def test_fault_19_replugged_opens_again(tmp_path: Path) -> None:
    with line_peer(echo) as peer:
        name = tmp_path / "board"
        name.symlink_to(peer.path)
        link = SerialLink.create("wire", SerialLink.Config(port=str(name)))
        try:
            for _round in range(5):
                await link.open()
                assert await link.query(b"a\n", line(), 1.0) == b"echo a\r\n"
                await asyncio.to_thread(peer.unplug)
                with pytest.raises(LinkError):
                    await link.query(b"a\n", line(), 1.0)
                peer.plug()
                name.unlink()
                name.symlink_to(peer.path)
        finally:
            await link.close()


@dataclass
class Seen:
    device: str
    vid: int | None
    pid: int | None
    serial_number: str | None


def test_fault_20_found_by_identity_under_another_name() -> None:
    before = [Seen("/dev/ttyUSB0", 0x1A86, 0x7523, "7A01"), Seen("/dev/ttyUSB1", 0x1A86, 0x7523, "7A02")]
    after = [Seen("/dev/ttyUSB5", 0x1A86, 0x7523, "7A01"), Seen("/dev/ttyUSB0", 0x1A86, 0x7523, "7A02")]
    match = Match(usb_serial="7A01")
    assert choose(match, before, [], "board") == "/dev/ttyUSB0"
    assert choose(match, after, [], "board") == "/dev/ttyUSB5"


def test_fault_20_not_there_or_not_one_is_refused() -> None:
    twins = [Seen("/dev/ttyUSB0", 0x1A86, 0x7523, None), Seen("/dev/ttyUSB1", 0x1A86, 0x7523, None)]
    with pytest.raises(LinkError, match="2 ports have"):
        choose(Match(vid=0x1A86), twins, [], "board")
    with pytest.raises(LinkError, match="No port has usb_serial 7A01"):
        choose(Match(usb_serial="7A01"), twins, [], "board")


def test_by_id_follows_the_link(tmp_path: Path) -> None:
    device = tmp_path / "ttyUSB3"
    device.touch()
    by_id = tmp_path / "usb-probe-0-if00"
    by_id.symlink_to(device)
    ports = [Seen(str(tmp_path / "ttyUSB2"), None, None, None), Seen(str(device), None, None, None)]
    assert choose(Match(by_id="usb-probe-0"), ports, [by_id], "gauge") == str(device)


@pytest.mark.parametrize("pieces", [[b"P=+1", b"2.5\r", b"\n"], [b"P=+12.5\r\n"], [bytes([c]) for c in b"P=+12.5\r\n"]])
async def test_fault_24_split_answers_are_reassembled(pieces: list[bytes]) -> None:
    def answer(peer: PtyPeer, data: bytes) -> None:
        for piece in pieces:
            peer.send(piece)
            time.sleep(0.005)

    with PtyPeer(answer) as peer:
        async with opened(peer) as link:
            assert await link.query(b"P?\n", line(), 1.0) == b"P=+12.5\r\n"


async def test_fault_24_merged_and_split_lines_nobody_asked_for() -> None:
    with PtyPeer() as peer:
        async with opened(peer) as link:
            lines = link.listen()
            for piece in (b"one\r\ntwo\r\nth", b"ree", b"\r\n\r\nfour\n"):
                peer.send(piece)
                await asyncio.sleep(0.01)
            assert [await anext(lines) for _ in range(4)] == [b"one", b"two", b"three", b"four"]


async def test_fault_24_a_line_without_end_does_not_grow() -> None:
    with line_peer(echo) as peer:
        async with opened(peer, answer_bytes=256) as link:
            lines = link.listen()
            for _ in range(200):
                peer.send(b"z" * 100)
                await asyncio.sleep(0.0005)
            await asyncio.sleep(0.05)
            peer.send(b"z\n")  # what came before it may all have been dropped
            assert 1 <= len(await anext(lines)) <= 256
            assert await link.query(b"a\n", line(), 1.0) == b"echo a\r\n"


async def test_fault_25_dribbling_garbage_ends_at_the_one_deadline() -> None:
    stop = threading.Event()
    with PtyPeer() as peer:

        def dribble() -> None:
            while not stop.wait(0.02):
                peer.send(b"k")

        async with opened(peer) as link:
            thread = threading.Thread(target=dribble)
            thread.start()
            began = time.monotonic()
            with pytest.raises(LinkTimeout) as caught:
                await link.query(b"a\n", line(), 0.4)
            took = time.monotonic() - began
            stop.set()
            thread.join()
            assert 0.35 < took < 5.0, "the bytes never end"
            assert caught.value.code == "timeout"


async def test_fault_25_flooding_garbage_is_refused_before_the_deadline() -> None:
    def flood(peer: PtyPeer, data: bytes) -> None:
        for _ in range(4):
            peer.send(b"0123456789abcdef" * 128)
            time.sleep(0.002)

    with PtyPeer(flood) as peer:
        async with opened(peer) as link:
            with pytest.raises(LinkGarbled, match="check the baud rate"):
                await link.query(b"a\n", line(), 5.0)


async def test_fault_26_in_step_at_the_next_line() -> None:
    count = 0

    def corrupt_once(text: bytes) -> bytes:
        nonlocal count
        count += 1
        return b"P=+1\x8a" if count == 1 else b"P=+%d\n" % count

    with line_peer(corrupt_once) as peer:
        async with opened(peer) as link:
            with pytest.raises(LinkTimeout):
                await link.query(b"P?\n", line(), 0.2)
            assert await link.query(b"P?\n", line(), 1.0) == b"P=+2\n"
            assert await link.query(b"P?\n", line(), 1.0) == b"P=+3\n"


async def test_fault_27_several_late_replies_at_once() -> None:
    """A device that was busy for a while answers everything it was asked meanwhile."""
    count = 0

    def busy_first(text: bytes) -> bytes:
        nonlocal count
        count += 1
        if count == 1:
            time.sleep(0.5)
        time.sleep(0.02)
        return b"%d\n" % count

    with line_peer(busy_first) as peer:
        async with opened(peer) as link:
            for _ in range(2):
                with pytest.raises(LinkTimeout):
                    await link.query(b"?\n", line(), 0.15)
            with pytest.raises(TimeoutError):
                async with asyncio.timeout(0.05):
                    await link.query(b"?\n", line(), 1.0)
            assert await link.query(b"?\n", line(), 1.0) == b"%d\n" % count
            assert await link.query(b"?\n", line(), 1.0) == b"%d\n" % count


@pytest.mark.parametrize("late_s", [0.15, 0.30, 0.42])
async def test_fault_27_late_reply_is_never_the_next_answer(late_s: float) -> None:
    """Late before the next question is written, while it is, and after: the device answers in order each time."""
    for _ in range(10):
        heard_s: list[float] = []
        told_s: list[float] = []

        def late_once(text: bytes, heard_s: list[float] = heard_s, told_s: list[float] = told_s) -> bytes:
            heard_s.append(time.monotonic())
            if len(heard_s) == 1:
                time.sleep(late_s)
            told_s.append(time.monotonic())
            return b"%d\n" % len(heard_s)

        with line_peer(late_once) as peer:
            async with opened(peer) as link:
                with pytest.raises(LinkTimeout):
                    await link.query(b"?\n", line(), 0.1)
                asked_s = time.monotonic()
                answers = [await link.query(b"?\n", line(), 1.0) for _ in range(2)]
        # After its first answer this device is a quick one; where a busy machine made it slow, that shows nothing.
        latest_s = max(told_s[0], asked_s + GRACE_S)
        if told_s[0] - heard_s[0] < late_s + 0.02 and told_s[1] - latest_s < QUIET_S / 2:
            assert answers == [b"2\n", b"3\n"]
            return
    pytest.fail("the machine never let the device of this test answer as it should")


HOLDER = """
import asyncio, sys
from benchd_drivers.link.port import SerialLink
async def main():
    link = SerialLink.create("wire", SerialLink.Config(port=sys.argv[1]))
    await link.open()
    print("held", flush=True)
    await asyncio.to_thread(sys.stdin.read)
    await link.close()
asyncio.run(main())
"""


LOCKER = """
import fcntl, sys
with open(sys.argv[1], "rb", 0) as port:
    fcntl.flock(port, fcntl.LOCK_EX)
    print("held", flush=True)
    sys.stdin.read()
"""


@contextmanager
def held_by_another(program: str, path: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", program, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        try:
            assert holder.stdout.readline() == "held\n"
            yield holder
        finally:
            holder.kill()


async def test_fault_32_second_process_is_named_and_its_death_frees_the_port() -> None:
    with line_peer(echo) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        with held_by_another(HOLDER, peer.path) as holder, pytest.raises(LinkError) as caught:
            await link.open()
        assert f"is in use by process {holder.pid} (" in caught.value.text
        await link.open()
        assert await link.query(b"a\n", line(), 1.0) == b"echo a\r\n"
        await link.close()


async def test_fault_32_program_that_locks_only_the_device_file_is_named() -> None:
    with PtyPeer() as peer, held_by_another(LOCKER, peer.path) as holder:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        with pytest.raises(LinkError, match=f"process {holder.pid}"):
            await link.open()


async def test_fault_33_wrong_baud_rate_is_said() -> None:
    def noise(peer: PtyPeer, data: bytes) -> None:
        peer.send(bytes([0xFE, 0x80, 0x00, 0xE6, 0x1C, 0xF8, 0xFF]))

    with PtyPeer(noise) as peer:
        async with opened(peer) as link:
            with pytest.raises(LinkGarbled, match="check the baud rate"):
                await link.query(b"a\n", line(), 0.2)


async def test_fault_34_blocked_write_fails_loudly_and_the_loop_lives() -> None:
    with PtyPeer() as peer:
        async with opened(peer, write_timeout_s=0.3) as link:
            peer.deaf = True
            await asyncio.sleep(0.03)
            async with lively_loop():
                with pytest.raises(LinkError, match="took no bytes"):
                    await link.query(b"x" * 200_000, line(), 5.0)
            with pytest.raises(LinkError, match="took no bytes"):
                link.urgent(b"!")


async def test_missing_port_says_what_to_check() -> None:
    link = SerialLink.create("wire", SerialLink.Config(port="/dev/ttyNOT_THERE"))
    with pytest.raises(LinkError, match="no such file") as caught:
        await link.open()
    assert "plugged in" in caught.value.advice


@asynccontextmanager
async def tcp_server(reply: Callable[[bytes], bytes]) -> AsyncIterator[tuple[int, asyncio.Server]]:
    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while text := await reader.readline():
                if text == b"bye\n":
                    break
                writer.write(reply(text.strip()))
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield server.sockets[0].getsockname()[1], server


async def test_tcp_link_queries_and_is_lost() -> None:
    async with tcp_server(echo) as (port, _server):
        link = TcpLink.create("net", TcpLink.Config(url=f"socket://127.0.0.1:{port}"))
        await link.open()
        assert await link.query(b"a\n", line(), 1.0) == b"echo a\r\n"
        with pytest.raises(LinkError, match="closed at the other end"):
            await link.query(b"bye\n", line(), 5.0)
        await link.open()
        assert await link.query(b"b\n", line(), 1.0) == b"echo b\r\n"
        await link.close()


async def test_tcp_refused_says_so() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        link = TcpLink.create("net", TcpLink.Config(url=f"socket://127.0.0.1:{port}"))
        with pytest.raises(LinkError, match="cannot be opened"):
            await link.open()


def test_config_wants_port_or_match() -> None:
    with pytest.raises(ValueError, match="either port or match"):
        SerialLink.Config()
    with pytest.raises(ValueError, match="at least one of"):
        Match()
    with pytest.raises(ValueError, match="extra"):
        SerialLink.Config(port="/dev/x", bauds=9600)  # type: ignore[call-arg]
