"""Registers as the bench file describes them, and what numbers they hold: type, order of the words, flags, commands.

Addresses count from 0, as they go over the wire. A register is big-endian (V1.1b3, 4.2); which of two words comes
first no standard says, so that a bench file has to.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from benchd_drivers.modbus_question import (
    HOLDING,
    INPUT,
    WRITE_COIL,
    WRITE_REGISTER,
    WRITE_REGISTERS,
    Question,
)

_FORMATS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


class Register(BaseModel):
    """A number in one register, or in two that follow each other from `address` on."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=0, le=0xFFFF)
    type: Literal["int16", "uint16", "int32", "uint32", "float32"] = "uint16"
    words: Literal["high_first", "low_first"] | None = None

    @model_validator(mode="after")
    def _words(self) -> Self:
        if self.count == 2 and self.words is None:
            raise ValueError(f"words: which of the two words of {self.type} comes first, high_first or low_first")
        if self.count == 1 and self.words is not None:
            raise ValueError(f"words: nothing here; {self.type} is one word")
        if self.address + self.count > 0x10000:
            raise ValueError("address: the second word would lie beyond the last register, 65535")
        return self

    @property
    def count(self) -> int:
        """Registers that it takes."""
        return struct.calcsize(_FORMATS[self.type]) // 2

    def number(self, registers: Sequence[int]) -> float:
        """The number in its registers; whole but for float32, which may not be finite either."""
        raw = b"".join(word.to_bytes(2, "big") for word in self._ordered(registers))
        (value,) = struct.unpack(_FORMATS[self.type], raw)
        return float(value)

    def registers(self, number: float) -> tuple[int, ...]:
        """The registers that hold a number, rounded to a whole one where it has to be. Raises ValueError beyond."""
        if not math.isfinite(number):
            raise ValueError(f"{number} cannot be written")
        try:
            raw = struct.pack(_FORMATS[self.type], number if self.type == "float32" else round(number))
        except (struct.error, OverflowError):
            raise ValueError(f"{number:g} does not go into {self.type}") from None
        return tuple(self._ordered([int.from_bytes(raw[i : i + 2], "big") for i in range(0, len(raw), 2)]))

    @property
    def range(self) -> tuple[float, float]:
        """The least and the greatest number that it holds."""
        bits = 16 * self.count
        match self.type:
            case "float32":
                return -3.4028e38, 3.4028e38
            case "int16" | "int32":
                return -(2.0 ** (bits - 1)), 2.0 ** (bits - 1) - 1
        return 0.0, 2.0**bits - 1

    def _ordered(self, registers: Sequence[int]) -> Sequence[int]:
        return registers[::-1] if self.words == "low_first" else registers


class Told(Register):
    """A number that the device tells."""

    table: Literal["holding", "input"] = "holding"

    @property
    def function(self) -> int:
        """The function that reads it."""
        return HOLDING if self.table == "holding" else INPUT

    def question(self, unit_id: int) -> Question:
        """It alone."""
        return Question(unit_id, self.function, self.address, self.count)


class Expected(Told):
    """A number that tells one kind of device, or one device, from others: its model or its serial number."""

    value: float = Field(allow_inf_nan=False)


def _writes(function: int | None, count: int) -> int:
    if function == WRITE_REGISTER and count > 1:
        raise ValueError("function: 16; two registers written one by one would hold a wrong number in between")
    return function or (WRITE_REGISTER if count == 1 else WRITE_REGISTERS)


class Setting(Register):
    """A number that is written, to holding registers, with both words in one question.

    `function` is 6 for one register and 16 for two unless stated: some devices know 16 only.
    """

    function: Literal[6, 16] | None = None

    @model_validator(mode="after")
    def _writable(self) -> Self:
        _writes(self.function, self.count)
        return self

    def question(self, unit_id: int, number: float) -> Question:
        """That writes `number`. Raises ValueError where it does not go into it."""
        function = _writes(self.function, self.count)
        return Question(unit_id, function, self.address, values=self.registers(number))


class Command(BaseModel):
    """What is written to have something done: `value`, and `edge_from` before it for devices that act on a change."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: int = Field(ge=0, le=0xFFFF)
    table: Literal["holding", "coil"] = "holding"
    value: int = Field(ge=0, le=0xFFFF)
    edge_from: int | None = Field(default=None, ge=0, le=0xFFFF)
    function: Literal[6, 16] | None = None

    @model_validator(mode="after")
    def _of_its_table(self) -> Self:
        if self.table == "coil" and not {self.value, self.edge_from} <= {0, 1, None}:
            raise ValueError("value and edge_from of a coil are 0 or 1")
        if self.table == "coil" and self.function is not None:
            raise ValueError("function: nothing here; a coil is written by 5")
        if self.value == self.edge_from:
            raise ValueError("edge_from: another value than `value`, or none")
        return self

    def questions(self, unit_id: int) -> tuple[Question, ...]:
        """In their order."""
        function = WRITE_COIL if self.table == "coil" else _writes(self.function, 1)
        values = (self.value,) if self.edge_from is None else (self.edge_from, self.value)
        return tuple(Question(unit_id, function, self.address, values=(value,)) for value in values)


class Flag(BaseModel):
    """A bit of the status, the lowest being 0; it means yes when it is `when`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    bit: int = Field(ge=0, le=31)
    when: Literal[0, 1] = 1

    def stands(self, status: int) -> bool:
        """Whether the status says yes."""
        return (status >> self.bit & 1) == self.when
