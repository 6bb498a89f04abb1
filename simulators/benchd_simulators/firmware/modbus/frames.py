"""Frames of Modbus: the checksum of RTU, where a request ends, and the header of TCP.

Written from MODBUS over Serial Line V1.02 (2.5.1, appendix B) and Messaging on TCP/IP V1.0b (3.1.3).
"""

from __future__ import annotations

from collections.abc import Iterator

MOST_RTU, MOST_TCP = 256, 260
HEADER = 7


def checksum(data: bytes) -> bytes:
    """CRC-16 by shifting, the polynomial x16 + x15 + x2 + 1 reflected; the low byte first, as it goes over the line."""
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            carry = register & 1
            register >>= 1
            if carry:
                register ^= 0xA001
    return bytes((register & 0xFF, register >> 8))


def request_bytes(held: bytes) -> int | None:
    """How long the RTU request that begins here is, its checksum included; None where that is not known yet."""
    if len(held) < 2:
        return None
    if held[1] in (1, 2, 3, 4, 5, 6, 8):
        return 8
    if held[1] in (15, 16):
        return None if len(held) < 7 else 9 + held[6]
    return len(held) if len(held) > 3 and checksum(held[:-2]) == held[-2:] else None


class RtuEar:
    """Puts requests together from bytes. One with a wrong checksum is dropped, as is what stands behind it."""

    def __init__(self) -> None:
        self._held = bytearray()

    def hear(self, byte: int) -> tuple[int, bytes] | None:
        """One more byte; the unit's address and the PDU of the request that it completes."""
        self._held.append(byte)
        length = request_bytes(bytes(self._held))
        if length is None or len(self._held) < length:
            if len(self._held) >= MOST_RTU:
                self.forget()
            return None
        frame = bytes(self._held)
        self.forget()
        return (frame[0], frame[1:-2]) if checksum(frame[:-2]) == frame[-2:] else None

    def forget(self) -> None:
        """A pause: what follows begins a frame."""
        self._held.clear()


def rtu(unit: int, pdu: bytes) -> bytes:
    """A frame of RTU."""
    frame = bytes((unit,)) + pdu
    return frame + checksum(frame)


class TcpEar:
    """Puts requests together from a stream. Raises ValueError for what is no Modbus: the connection is then useless."""

    def __init__(self) -> None:
        self._held = bytearray()

    def hear(self, data: bytes) -> Iterator[tuple[int, int, bytes]]:
        """Transaction number, unit and PDU of each request that is whole."""
        self._held += data
        while len(self._held) >= HEADER:
            number, protocol, length = (int.from_bytes(self._held[at : at + 2], "big") for at in (0, 2, 4))
            if protocol != 0 or not 2 <= length <= MOST_TCP - HEADER + 1:
                raise ValueError("no header of Modbus TCP")
            if len(self._held) < length + HEADER - 1:
                return
            yield number, self._held[6], bytes(self._held[HEADER : length + HEADER - 1])
            del self._held[: length + HEADER - 1]


def tcp(number: int, unit: int, pdu: bytes) -> bytes:
    """A frame of TCP."""
    return b"".join(part.to_bytes(2, "big") for part in (number, 0, len(pdu) + 1)) + bytes((unit,)) + pdu
