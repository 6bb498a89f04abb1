"""Numbers in registers, and what a bench file may say of them."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from benchd_drivers.modbus_link import ModbusRtu, ModbusTcp
from benchd_drivers.modbus_meter import ModbusMeter
from benchd_drivers.modbus_question import Question
from benchd_drivers.modbus_registers import Command, Flag, Register, Setting, Told
from benchd_drivers.modbus_unit import UnitConfig


@pytest.mark.parametrize(
    ("type_", "words", "number", "registers"),
    [
        ("int16", None, -2, (0xFFFE,)),
        ("uint16", None, 65534, (0xFFFE,)),
        ("int32", "high_first", -2, (0xFFFF, 0xFFFE)),
        ("int32", "low_first", -2, (0xFFFE, 0xFFFF)),
        ("uint32", "high_first", 0x12345678, (0x1234, 0x5678)),
        ("uint32", "low_first", 0x12345678, (0x5678, 0x1234)),
        ("float32", "high_first", 1.0, (0x3F80, 0x0000)),  # IEEE 754: sign 0, exponent 127, no fraction
        ("float32", "low_first", -2.5, (0x0000, 0xC020)),
    ],
)
def test_numbers_and_their_registers(type_: Any, words: Any, number: float, registers: tuple[int, ...]) -> None:
    register = Register(address=0, type=type_, words=words)
    assert register.registers(number) == registers
    assert register.number(registers) == number


@given(st.integers(-(2**31), 2**31 - 1), st.sampled_from(["high_first", "low_first"]))
def test_whole_numbers_come_back(number: int, words: Any) -> None:
    register = Register(address=0, type="int32", words=words)
    assert register.number(register.registers(number)) == number


@pytest.mark.parametrize(("type_", "number"), [("int16", 32768), ("uint16", -1), ("uint16", 65535.6), ("int16", 1e99)])
def test_what_does_not_go_in_is_refused(type_: Any, number: float) -> None:
    with pytest.raises(ValueError, match="does not go into"):
        Setting(address=0, type=type_).question(1, number)


@pytest.mark.parametrize(
    ("model", "keys", "why"),
    [
        (Told, {"address": 0, "type": "int32"}, "which of the two words"),
        (Told, {"address": 0, "type": "int16", "words": "low_first"}, "nothing here"),
        (Told, {"address": 65535, "type": "uint32", "words": "low_first"}, "beyond the last register"),
        (Told, {"address": 40001 + 65535}, "less than or equal to 65535"),
        (Told, {"address": 0, "table": "coil"}, "'holding' or 'input'"),
        (Setting, {"address": 0, "type": "int32", "words": "low_first", "function": 6}, "one by one"),
        (Setting, {"address": 0, "table": "input"}, "Extra inputs"),
        (Command, {"address": 0, "table": "coil", "value": 2}, "0 or 1"),
        (Command, {"address": 0, "table": "coil", "value": 1, "function": 6}, "written by 5"),
        (Command, {"address": 0, "value": 2, "edge_from": 2}, "another value"),
        (Flag, {"bit": 32}, "less than or equal to 31"),
        (UnitConfig, {"unit_id": 256}, "less than or equal to 255"),
        (ModbusRtu.Config, {"port": "/dev/ttyUSB0", "url": "socket://h:1"}, "one of port, match and url"),
        (ModbusRtu.Config, {"baud": 9600}, "one of port, match and url"),
        (ModbusRtu.Config, {"url": "socket://h:1", "parity": "odd"}, "set in it"),
        (ModbusTcp.Config, {"url": "http://h:502"}, "should match pattern"),
    ],
)
def test_keys_that_contradict_each_other_are_refused(model: Any, keys: dict[str, Any], why: str) -> None:
    with pytest.raises(ValidationError, match=why):
        model(**keys)


def test_commands_and_flags() -> None:
    assert Command(address=3, value=4, edge_from=0).questions(9) == (
        Question(9, 6, 3, values=(0,)),
        Question(9, 6, 3, values=(4,)),
    )
    assert Command(address=3, value=4, function=16).questions(9) == (Question(9, 16, 3, values=(4,)),)
    assert Command(address=3, table="coil", value=1).questions(9) == (Question(9, 5, 3, values=(1,)),)
    assert Flag(bit=3).stands(0b1000)
    assert not Flag(bit=3).stands(0b0111)
    assert Flag(bit=3, when=0).stands(0b0111)


def test_a_device_needs_a_line_that_speaks_modbus_and_an_address_on_it() -> None:
    keys: dict[str, Any] = {"quantity": "height", "unit": "mm", "value": {"address": 0}}
    with pytest.raises(ValueError, match="modbus_rtu or modbus_tcp"):
        ModbusMeter.create("m", ModbusMeter.Config(unit_id=1, **keys), None)
    for wrong in (0, 248):
        line = ModbusRtu.create("bus", ModbusRtu.Config(port="/dev/ttyUSB0"))
        with pytest.raises(ValueError, match="1 to 247"):
            ModbusMeter.create("m", ModbusMeter.Config(unit_id=wrong, **keys), line)


def test_without_the_library_the_link_is_refused_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd_drivers.modbus_link.find_spec", lambda name: None)
    with pytest.raises(ValueError, match=r"pip install 'benchd\[modbus\]'"):
        ModbusTcp.create("net", ModbusTcp.Config(url="socket://h:502"))
