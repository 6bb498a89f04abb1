"""What a Modbus server makes of a request: the functions of V1.1b3, chapter 6, on tables that a device provides."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE, BUSY = 1, 2, 3, 4, 6
MOST_BITS, MOST_READ, MOST_WRITTEN = 2000, 125, 123
BROADCAST = 0


class Refused(Exception):
    """An exception reply with its code."""

    def __init__(self, code: int) -> None:
        super().__init__(f"exception {code}")
        self.code = code


class Tables(Protocol):
    """A device's registers and bits. Each raises Refused, and a write that is refused changes nothing."""

    def coils(self, address: int, count: int) -> Sequence[bool]: ...
    def discrete(self, address: int, count: int) -> Sequence[bool]: ...
    def holding(self, address: int, count: int) -> Sequence[int]: ...
    def inputs(self, address: int, count: int) -> Sequence[int]: ...
    def write_coil(self, address: int, on: bool) -> None: ...
    def write_holding(self, address: int, values: Sequence[int]) -> None: ...


def answered(tables: Tables, pdu: bytes) -> bytes:
    """The reply's PDU."""
    try:
        return _carried_out(tables, pdu[0], pdu[1:])
    except Refused as refused:
        return bytes((pdu[0] | 0x80, refused.code))


def _carried_out(tables: Tables, function: int, data: bytes) -> bytes:
    if function not in (1, 2, 3, 4, 5, 6, 8, 16):
        raise Refused(ILLEGAL_FUNCTION)
    if len(data) < 4:
        raise Refused(ILLEGAL_VALUE)
    first, second = int.from_bytes(data[:2], "big"), int.from_bytes(data[2:4], "big")
    head = bytes((function,))
    match function:
        case 1 | 2:
            _want(1 <= second <= MOST_BITS)
            bits = (tables.coils if function == 1 else tables.discrete)(first, second)
            return head + _counted(_packed(bits))
        case 3 | 4:
            _want(1 <= second <= MOST_READ)
            registers = (tables.holding if function == 3 else tables.inputs)(first, second)
            return head + _counted(b"".join(value.to_bytes(2, "big") for value in registers))
        case 5:
            _want(second in (0, 0xFF00))
            tables.write_coil(first, second == 0xFF00)
        case 6:
            tables.write_holding(first, [second])
        case 8:
            if first != 0:
                raise Refused(ILLEGAL_FUNCTION)
            return head + data
        case 16:
            _want(1 <= second <= MOST_WRITTEN and len(data) == 5 + 2 * second == 5 + data[4])
            tables.write_holding(first, [int.from_bytes(data[at : at + 2], "big") for at in range(5, len(data), 2)])
    return head + data[:4]


def _want(true: bool) -> None:
    if not true:
        raise Refused(ILLEGAL_VALUE)


def _counted(data: bytes) -> bytes:
    return bytes((len(data),)) + data


def _packed(bits: Sequence[bool]) -> bytes:
    """The first bit lowest in the first byte; what is left over is 0."""
    packed = bytearray((len(bits) + 7) // 8)
    for at, bit in enumerate(bits):
        packed[at // 8] |= int(bit) << at % 8
    return bytes(packed)
