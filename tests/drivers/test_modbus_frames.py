"""Modbus on the wire, byte for byte, against published frames and figures."""

from __future__ import annotations

import asyncio

import pytest

from benchd.testing.leaks import no_leaks
from benchd_drivers.modbus_link import ModbusRtu, ModbusTcp, silence_s
from benchd_drivers.modbus_question import Question
from benchd_simulators.firmware.modbus.frames import MOST_RTU, MOST_TCP, RtuEar, TcpEar, checksum, rtu, tcp
from tests.drivers.modbus_ends import scripted

__all__ = ["no_leaks"]

REQUESTS = {
    # MODBUS Application Protocol V1.1b3, chapter 6 (the PDUs) with the CRC of MODBUS over Serial Line V1.02.
    "11 03 00 6B 00 03 76 87": Question(0x11, 3, 0x6B, count=3),
    "01 03 00 00 00 0A C5 CD": Question(0x01, 3, 0, count=10),
    "01 03 00 00 00 01 84 0A": Question(0x01, 3, 0, count=1),
    "01 06 00 01 00 03 98 0B": Question(0x01, 6, 1, values=(3,)),
    "11 06 00 01 00 03 9A 9B": Question(0x11, 6, 1, values=(3,)),
    "11 10 00 01 00 02 04 00 0A 01 02 C6 F0": Question(0x11, 16, 1, values=(10, 258)),
    "11 05 00 AC FF 00 4E 8B": Question(0x11, 5, 0xAC, values=(1,)),
    "11 01 00 13 00 25 0E 84": Question(0x11, 1, 0x13, count=37),
}


@pytest.mark.published
def test_checksum_of_the_catalogue() -> None:
    """CRC-16/MODBUS of '123456789' is 0x4B37 (catalogue of parametrised CRC algorithms), low byte first on the line.

    The library's own `compute_CRC` gives it with its bytes swapped, as they stand on the line.
    """
    from pymodbus.framer.rtu import FramerRTU

    assert checksum(b"123456789") == bytes((0x37, 0x4B))
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B


@pytest.mark.published
@pytest.mark.parametrize(("frame", "question"), REQUESTS.items())
async def test_requests_go_over_the_line_as_published(frame: str, question: Question) -> None:
    asked = bytes.fromhex(frame)
    echoed = asked[:6] + checksum(asked[:6])
    read = {
        1: bytes((asked[0], 1, 5)) + bytes(5),
        3: bytes((asked[0], 3, 2 * question.count)) + bytes(2 * question.count),
    }
    body = read.get(question.function)
    answer = echoed if body is None else body + checksum(body)
    with scripted({frame: answer.hex()}) as peer:
        link = ModbusRtu.create("bus", ModbusRtu.Config(port=peer.path, parity="none"))
        await link.open()
        await link.ask(question)
        await link.close()
    assert bytes(peer.received[8:]) == asked, "after the echo of the first contact"
    ear = RtuEar()
    heard = [got for byte in asked if (got := ear.hear(byte)) is not None]
    assert heard == [(asked[0], asked[1:-2])], "the simulated end understands it, too"


@pytest.mark.published
async def test_the_published_answers_are_understood() -> None:
    """V1.1b3 6.3: registers 108 to 110 hold 555, 0, 100; 6.12: the reply to a write of two. The checksum's own example
    is that of 02 07 (Serial Line V1.02, 6.2.2); 01 83 02 C0 F1 is an exception reply."""
    answers = {
        "11 03 00 6B 00 03 76 87": rtu(0x11, bytes.fromhex("03 06 02 2B 00 00 00 64")).hex(),
        "01 03 00 00 00 01 84 0A": "01 83 02 C0 F1",
        "11 10 00 01 00 02 04 00 0A 01 02 C6 F0": "11 10 00 01 00 02 12 98",
    }
    with scripted(answers) as peer:
        link = ModbusRtu.create("bus", ModbusRtu.Config(port=peer.path, parity="none"))
        await link.open()
        assert (await link.ask(Question(0x11, 3, 0x6B, count=3))).registers == [555, 0, 100]
        await link.ask(Question(0x11, 16, 1, values=(10, 258)))
        refused = await link.query(bytes.fromhex("01 03 00 00 00 01"), lambda got: slice(0, len(got)), 1.0)
        assert refused == bytes.fromhex("01 83 02")
        await link.close()
    assert checksum(bytes.fromhex("02 07")) == bytes.fromhex("41 12")


@pytest.mark.published
def test_silence_between_frames() -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1: 3.5 characters of 11 bits, fixed at 1.750 ms above 19200 baud."""
    assert silence_s(9600) == pytest.approx(4.010e-3, abs=1e-6)
    assert silence_s(19200) == pytest.approx(2.005e-3, abs=1e-6)
    assert silence_s(38400) == silence_s(115200) == 1.750e-3


@pytest.mark.published
async def test_header_of_tcp() -> None:
    """Messaging on TCP/IP V1.0b, 3.1.3: transaction, protocol 0, length, unit, then the PDU."""
    received = bytearray()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        received.extend(await reader.readexactly(12))
        writer.write(tcp(1, 0x11, bytes.fromhex("03 06 02 2B 00 00 00 64")))
        await reader.read()
        writer.close()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        link = ModbusTcp.create("net", ModbusTcp.Config(url=f"socket://127.0.0.1:{port}"))
        await link.open()
        assert (await link.ask(Question(0x11, 3, 0x6B, count=3))).registers == [555, 0, 100]
        await link.close()
    assert received == bytes.fromhex("00 01 00 00 00 06 11 03 00 6B 00 03")
    assert list(TcpEar().hear(bytes(received))) == [(1, 0x11, bytes.fromhex("03 00 6B 00 03"))]


@pytest.mark.published
def test_limits() -> None:
    """V1.1b3 4.1: a PDU has 253 bytes at most, so RTU 256 and TCP 260; 6.3, 6.12: 125 registers read, 123 written."""
    assert (MOST_RTU, MOST_TCP) == (253 + 3, 253 + 7)
    Question(1, 3, 0, count=125)
    Question(1, 16, 0, values=(0,) * 123)
    Question(1, 1, 0, count=2000)
    for function, keys in (
        (3, {"count": 126}),
        (4, {"count": 126}),
        (16, {"values": (0,) * 124}),
        (1, {"count": 2001}),
    ):
        with pytest.raises(ValueError, match="at a time"):
            Question(1, function, 0, **keys)
    with pytest.raises(ValueError, match="beyond the last"):
        Question(1, 3, 0xFFFF, count=2)
