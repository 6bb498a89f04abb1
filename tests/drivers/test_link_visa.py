"""The kind of link `visa` over real pseudo-terminals and sockets, and over the foreign simulator for whole messages.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import termios
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.devices import Link, LinkError, LinkGarbled, LinkTimeout, line, nothing, registry
from benchd.testing.lively import lively_loop
from benchd.testing.peer import PtyPeer, line_peer
from benchd_drivers.link.port import SerialLink
from benchd_drivers.link.visa import VisaLink
from benchd_drivers.link.visa_config import VisaConfig
from benchd_drivers.link.visa_messages import VisaMessages

FOREIGN = """
spec: "1.1"
devices:
  other:
    eom:
      USB INSTR: {q: "\\n", r: "\\n"}
    error: ERROR
    dialogues:
      - {q: "*IDN?", r: "OTHER,BOX,1,2"}
      - {q: "LONG?", r: "%s"}
      - {q: "DO"}
resources:
  USB::0x1111::0x2222::S1::INSTR: {device: other}
""" % ("x" * 500)
USB = "USB0::0x1111::0x2222::S1::INSTR"


@asynccontextmanager
async def opened(resource: str, **keys: Any) -> AsyncIterator[Link]:
    link = VisaLink.create("wire", VisaConfig(resource=resource, **keys))
    try:
        await link.open()
        yield link
    finally:
        await link.close()


@asynccontextmanager
async def messages(folder: Path, **keys: Any) -> AsyncIterator[VisaMessages]:
    """A link on USB, whose other end is a simulator that shares nothing with this project."""
    (folder / "other.yaml").write_text(FOREIGN, encoding="utf-8")
    link = VisaMessages("wire", VisaConfig(resource=USB, **keys), library=f"{folder / 'other.yaml'}@sim")
    try:
        await link.open()
        yield link
    finally:
        await link.close()


class Listening:
    """One connection after another; each whole line is echoed, `bye` hangs up, `mute` is not answered."""

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            connection, _ = self._server.accept()
            with connection, connection.makefile("rwb", buffering=0) as lines, suppress(OSError):
                while text := lines.readline():
                    if text == b"end\n":
                        return
                    if text == b"bye\n":
                        break
                    if text != b"mute\n":
                        lines.write(b"echo " + text)

    def end(self) -> None:
        with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=2) as last:
            last.sendall(b"end\n")
        self._thread.join(5)
        self._server.close()

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"


@contextmanager
def listening() -> Iterator[Listening]:
    far = Listening()
    try:
        yield far
    finally:
        far.end()


def echo(text: bytes) -> bytes:
    return b"echo " + text + b"\n"


def test_it_is_found_by_its_name() -> None:
    assert registry.link_kind("visa").Config is VisaConfig


def test_pyvisa_is_not_loaded_before_a_bench_opens_such_a_link() -> None:
    code = (
        "import sys; from benchd_drivers.link.visa import VisaLink\n"
        "link = VisaLink.create('wire', VisaLink.Config(resource='TCPIP::localhost::1::SOCKET'))\n"
        "assert not {'pyvisa', 'pyvisa_py', 'serial'} & set(sys.modules), 'loaded too early'"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


async def test_a_socket_is_asked_and_answers_and_keeps_its_frames() -> None:
    with listening() as far:
        async with opened(far.resource) as link:
            answers = await asyncio.gather(*(link.query(b"%d\n" % n, line(), 5.0) for n in range(20)))
            assert answers == [b"echo %d\n" % n for n in range(20)]
            assert [(f.direction, f.data) for f in link.recent[-2:]] == [("out", b"19\n"), ("in", b"echo 19\n")]


async def test_fault_19_a_socket_closed_at_the_other_end_is_lost_at_once_and_opened_again() -> None:
    """The library itself takes it for silence, and turns in circles until its time-out."""
    with listening() as far:
        async with opened(far.resource) as link:
            heard = link.listen()
            async with lively_loop():
                with pytest.raises(LinkError, match="lost") as caught:
                    await link.query(b"bye\n", line(), 30.0)
            assert caught.value.code == "device_fault"
            assert caught.value.frames[-1].data == b"bye\n"
            with pytest.raises(StopAsyncIteration):
                await anext(heard)
            assert not link.connected
            await link.open()
            assert await link.query(b"again\n", line(), 5.0) == b"echo again\n"


async def test_fault_27_an_answer_that_is_owed_is_never_the_next_one() -> None:
    with listening() as far:
        async with opened(far.resource) as link:
            with pytest.raises(LinkTimeout):
                await link.query(b"mute\n", line(), 0.2)
            assert link.connected
            assert await link.query(b"next\n", line(), 5.0) == b"echo next\n"


async def test_nobody_at_the_address_is_said_with_what_to_check() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(LinkError, match=r"connection refused.*Nothing listens") as caught:
        async with opened(f"TCPIP0::127.0.0.1::{port}::SOCKET"):
            pass
    assert caught.value.device == "wire"
    with pytest.raises(LinkError, match=r"no-such-host\.invalid"):
        async with opened("TCPIP::no-such-host.invalid::5025::SOCKET"):
            pass


async def test_a_serial_line_is_set_and_asked() -> None:
    with line_peer(echo) as peer:
        async with opened(f"ASRL{peer.path}::INSTR", baud=19200, stop_bits=2, flow="rts_cts") as link:
            assert await link.query(b"a\n", line(), 2.0) == b"echo a\n"
            _, _, cflag, _, speed, _, _ = termios.tcgetattr(peer._slave)
            assert speed == termios.B19200
            assert cflag & termios.CSTOPB
            assert cflag & termios.CRTSCTS


@pytest.mark.parametrize("flow", ["none", "xon_xoff"])
async def test_a_handshake_is_as_stated(flow: str) -> None:
    with line_peer(echo) as peer:
        async with opened(f"ASRL{peer.path}::INSTR", flow=flow):
            iflag, _, cflag, *_ = termios.tcgetattr(peer._slave)
            assert bool(iflag & termios.IXON) == (flow == "xon_xoff")
            assert not cflag & termios.CRTSCTS


async def test_fault_19_a_serial_line_that_is_unplugged_is_lost_at_once() -> None:
    with PtyPeer() as peer:
        async with opened(f"ASRL{peer.path}::INSTR") as link:
            waiting = asyncio.create_task(link.query(b"a\n", line(), 30.0))
            await asyncio.to_thread(peer.wait_for, b"a\n")
            async with lively_loop():
                await asyncio.to_thread(peer.unplug)
                with pytest.raises(LinkError, match="lost"):
                    await waiting
            assert not link.connected
            assert "lost" in link.why_lost


async def test_fault_32_a_line_has_one_owner_whatever_kind_of_link_it_goes_by() -> None:
    with line_peer(echo) as peer:
        async with opened(f"ASRL{peer.path}::INSTR"):
            other = SerialLink.create("other", SerialLink.Config(port=peer.path))
            with pytest.raises(LinkError, match="in use by process"):
                await other.open()
            await other.close()


async def test_fault_34_a_line_that_takes_nothing_fails_loudly_and_the_loop_lives() -> None:
    with PtyPeer() as peer:
        async with opened(f"ASRL{peer.path}::INSTR", write_timeout_s=0.2) as link:
            peer.deaf = True
            async with lively_loop():
                with pytest.raises(LinkError):
                    await link.query(b"x" * 200_000 + b"\n", nothing, 5.0)
                assert not link.connected
            peer.deaf = False


# ---- whole messages


async def test_messages_are_asked_in_turn(tmp_path: Path) -> None:
    async with messages(tmp_path) as link:
        await link.open()
        answers = await asyncio.gather(*(link.query(b"*IDN?\n", line(), 5.0) for _ in range(5)))
        assert answers == [b"OTHER,BOX,1,2\n"] * 5
        assert [(f.direction, f.data) for f in link.recent[-2:]] == [("out", b"*IDN?\n"), ("in", b"OTHER,BOX,1,2\n")]
        link.urgent(b"DO\n")
        assert await link.query(b"DO\n", nothing, 5.0) == b""
        assert [frame.data for frame in link.recent[-2:]] == [b"DO\n", b"DO\n"]


async def test_an_answer_to_a_message_that_was_given_up_is_dropped(tmp_path: Path) -> None:
    async with messages(tmp_path) as link:
        for after_s in (0.0, 0.0005, 0.002):
            asking = asyncio.create_task(link.query(b"LONG?\n", line(), 5.0))
            await asyncio.sleep(after_s)
            asking.cancel()
            await asyncio.wait({asking})
            assert await link.query(b"*IDN?\n", line(), 5.0) == b"OTHER,BOX,1,2\n"


async def test_fault_27_a_message_that_is_not_answered_in_time_breaks_the_line_off(tmp_path: Path) -> None:
    async with messages(tmp_path) as link:
        heard = link.listen()
        async with lively_loop():
            with pytest.raises(LinkTimeout, match="no whole answer") as caught:
                await link.query(b"DO\n", line(), 0.3)
        assert caught.value.code == "timeout"
        assert not link.connected
        with pytest.raises(StopAsyncIteration):
            await anext(heard)
        with pytest.raises(LinkError):
            link.urgent(b"DO\n")
        await link.open()
        assert await link.query(b"*IDN?\n", line(), 5.0) == b"OTHER,BOX,1,2\n"


async def test_fault_24_a_message_longer_than_any_answer_is_refused(tmp_path: Path) -> None:
    async with messages(tmp_path, answer_bytes=64) as link:
        with pytest.raises(LinkGarbled, match="501 bytes without an answer"):
            await link.query(b"LONG?\n", line(b"\0"), 5.0)
        assert link.connected


async def test_usb_without_its_library_says_what_to_install() -> None:
    with pytest.raises(LinkError, match="libusb") as caught:
        async with opened(USB):
            pass
    assert "benchd[usb]" in caught.value.advice


async def test_a_closed_link_takes_nothing_and_closes_twice(tmp_path: Path) -> None:
    async with messages(tmp_path) as link:
        await link.close()
        await link.close()
        for asking in (link.query(b"*IDN?\n", line(), 1.0), link.query(b"DO\n", nothing, 1.0)):
            with pytest.raises(LinkError, match="closed"):
                await asking
        assert "closed" in link.why_lost
        with pytest.raises(StopAsyncIteration):
            await anext(link.listen())


@pytest.mark.parametrize(
    ("keys", "wrong"),
    [
        ({"resource": "GPIB0::5::INSTR"}, "resource is of the form"),
        ({"resource": "ASRL1::INSTR"}, "resource is of the form"),
        ({"resource": "USB::0x1::0x2::INSTR"}, "resource is of the form"),
        ({"resource": "TCPIP::box::70000::SOCKET"}, "a port is 1 to 65535"),
        ({"resource": "TCPIP::box::5025::SOCKET", "baud": 9600}, "baud: nothing here"),
        ({"resource": USB, "flow": "none"}, "flow: nothing here"),
        ({"resource": "ASRL/dev/ttyS0::INSTR", "stop_bits": 3}, "stop_bits"),
        ({"resource": "ASRL/dev/ttyS0::INSTR", "parity": "odd"}, "parity"),
    ],
)
def test_a_wrong_key_is_refused(keys: dict[str, Any], wrong: str) -> None:
    with pytest.raises(ValidationError, match=wrong):
        VisaConfig(**keys)
