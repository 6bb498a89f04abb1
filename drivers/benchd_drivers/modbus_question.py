"""One question to a Modbus server, and which reply can be its answer. Functions of the MODBUS Application Protocol
V1.1b3, chapter 6; of them those that registers, coils and a test of the line need."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pymodbus.client.base import ModbusBaseClient
    from pymodbus.pdu import ModbusPDU

COILS, DISCRETE, HOLDING, INPUT = 1, 2, 3, 4
WRITE_COIL, WRITE_REGISTER, ECHO, WRITE_REGISTERS = 5, 6, 8, 16
READS_BITS, READS_REGISTERS = (COILS, DISCRETE), (HOLDING, INPUT)
MOST_READ, MOST_WRITTEN, MOST_BITS = 125, 123, 2000
"""Registers in a read and in a write, bits in a read (V1.1b3, 6.1 to 6.12)."""
COIL_ON, TABLE = 0xFF00, 0x10000

WORDS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge, it takes longer",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""Exception codes, V1.1b3 chapter 7."""
ADVICE = {
    1: "Check which functions the device's manual has (`table`, `function`).",
    2: "Check the address: it counts from 0, where many manuals count from 1 or write 40001 for the first.",
    3: "Check type and range of that register in the device's manual.",
    10: "Check `unit_id` and the gateway's table of devices.",
    11: "Check `unit_id`, power and wiring behind the gateway.",
}


@dataclass(frozen=True, slots=True)
class Question:
    """`address` counts from 0. Reads have a `count` of registers or bits, writes their `values`.

    Raises ValueError for more than one frame holds.
    """

    unit_id: int
    function: int
    address: int
    count: int = 0
    values: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.function == ECHO:
            return
        most = {WRITE_COIL: 1, WRITE_REGISTER: 1, WRITE_REGISTERS: MOST_WRITTEN}.get(
            self.function, MOST_BITS if self.function in READS_BITS else MOST_READ
        )
        count = self.count or len(self.values)
        if not 1 <= count <= most:
            raise ValueError(f"function {self.function} takes 1 to {most} at a time, not {count}")
        if self.address + count > TABLE:
            raise ValueError(f"{self.address + count - 1} is beyond the last address, {TABLE - 1}")

    def asked(self, client: ModbusBaseClient) -> Awaitable[ModbusPDU]:
        """The call of the client library that asks it."""
        at, unit = self.address, self.unit_id
        calls: dict[int, Callable[[], Awaitable[ModbusPDU]]] = {
            COILS: lambda: client.read_coils(at, count=self.count, device_id=unit),
            DISCRETE: lambda: client.read_discrete_inputs(at, count=self.count, device_id=unit),
            HOLDING: lambda: client.read_holding_registers(at, count=self.count, device_id=unit),
            INPUT: lambda: client.read_input_registers(at, count=self.count, device_id=unit),
            WRITE_COIL: lambda: client.write_coil(at, bool(self.values[0]), device_id=unit),
            WRITE_REGISTER: lambda: client.write_register(at, self.values[0], device_id=unit),
            ECHO: lambda: client.diag_query_data(_two(self.values[0]), device_id=unit),
            WRITE_REGISTERS: lambda: client.write_registers(at, list(self.values), device_id=unit),
        }
        return calls[self.function]()

    def fits(self, reply: ModbusPDU) -> bool:
        """Whether a reply can be the answer. A read's does not say what address it is of."""
        if reply.isError():
            return reply.function_code == self.function | 0x80
        return reply.function_code == self.function and self._told_back(reply)

    def _told_back(self, reply: ModbusPDU) -> bool:
        match self.function:
            case 1 | 2:
                right = len(reply.bits) == (self.count + 7) // 8 * 8
            case 3 | 4:
                right = len(reply.registers) == self.count
            case 5:
                right = reply.address == self.address and bool(reply.bits[0]) == bool(self.values[0])
            case 6:
                right = reply.address == self.address and tuple(reply.registers) == self.values
            case 16:
                right = reply.address == self.address and reply.count == len(self.values)
            case _:
                right = getattr(reply, "message", None) == _two(self.values[0])
        return right

    def __str__(self) -> str:
        last = self.address + max(self.count, len(self.values)) - 1
        where = f"{self.address}" if last <= self.address else f"{self.address} to {last}"
        what = {
            COILS: f"read coil {where}",
            DISCRETE: f"read discrete input {where}",
            HOLDING: f"read holding register {where}",
            INPUT: f"read input register {where}",
            WRITE_COIL: f"write coil {where}",
            WRITE_REGISTER: f"write holding register {where}",
            ECHO: "echo two bytes",
            WRITE_REGISTERS: f"write holding register {where}",
        }
        return f"{what[self.function]} (function {self.function})"

    @classmethod
    def of_bytes(cls, adu: bytes) -> Question:
        """From a unit's address and a request PDU. Raises ValueError where that is none of the above."""
        if len(adu) < 6:
            raise ValueError("a question is a unit's address, a function and its data, six bytes at least")
        unit, function, at, two = adu[0], adu[1], int.from_bytes(adu[2:4], "big"), int.from_bytes(adu[4:6], "big")
        if function in READS_BITS + READS_REGISTERS and len(adu) == 6:
            return cls(unit, function, at, count=two)
        if function == WRITE_COIL and len(adu) == 6 and two in (0, COIL_ON):
            return cls(unit, function, at, values=(int(two == COIL_ON),))
        if function == WRITE_REGISTER and len(adu) == 6:
            return cls(unit, function, at, values=(two,))
        if function == ECHO and len(adu) == 6 and at == 0:
            return cls(unit, function, 0, values=(two,))
        if function == WRITE_REGISTERS and len(adu) == 7 + 2 * two == 7 + adu[6]:
            return cls(
                unit, function, at, values=tuple(int.from_bytes(adu[i : i + 2], "big") for i in range(7, len(adu), 2))
            )
        raise ValueError(f"function {function} with these {len(adu) - 2} bytes is not spoken here")


def _two(value: int) -> bytes:
    return value.to_bytes(2, "big")
