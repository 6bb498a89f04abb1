"""The light on a supply by SCPI against the simulated one, and against a simulator by others.

Tests of faults carry the number that the fault has in the list of faults a bench survives.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.devices import DeviceError, DeviceMismatch, LinkError, LinkTimeout, nothing
from benchd_drivers.link.visa_config import VisaConfig
from benchd_drivers.link.visa_messages import VisaMessages
from benchd_drivers.scpi_light import ScpiLight
from benchd_drivers.scpi_light_config import ScpiLightConfig
from tests.drivers.instruments import LIGHT, SimulatedInstruments


@asynccontextmanager
async def lighting(instruments: SimulatedInstruments, cable: str = "supply", **keys: Any) -> AsyncIterator[ScpiLight]:
    link = instruments.link(cable)
    await link.open()
    light = ScpiLight.create("lamp", ScpiLightConfig(**{**LIGHT, **keys}), link)
    try:
        await light.open()
        yield light
    finally:
        await light.close()
        await link.close()


class TestSimulated:
    pytestmark = pytest.mark.stack

    async def test_level_is_current_under_a_limit_of_voltage(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments, current_A=(0.1, 0.7)) as light:
            assert (await light.open()).serial == "SN0042"
            await light.set_level(0.5)
            shown = await instruments.look("supply")
            assert shown == {"on": True, "volts": 12.0, "amps": pytest.approx(0.4), "flows_A": pytest.approx(0.4)}
            assert await light.level() == pytest.approx(0.5, abs=1e-3)
            await light.set_level(0.0)
            assert not (await instruments.look("supply"))["on"]
            assert await light.level() == 0.0

    async def test_level_is_voltage_under_a_limit_of_current(self, instruments: SimulatedInstruments) -> None:
        keys: dict[str, Any] = {
            "current_A": None,
            "limit_V": None,
            "voltage_V": (0.0, 10.0),
            "limit_A": 0.05,
            "pwm_hz": 500.0,
        }
        async with lighting(instruments, **keys) as light:
            await light.set_level(0.25)
            shown = await instruments.look("supply")
            assert (shown["on"], shown["volts"], shown["amps"]) == (True, 2.5, 0.05)
            assert light.spec.pwm_hz == 500.0

    async def test_what_stands_there_at_contact_is_put_out(self, instruments: SimulatedInstruments) -> None:
        await instruments.fault("supply", "turn", volts=12.0, amps=0.5, on=True)
        await instruments.fault("supply", "errors", n=20)
        async with lighting(instruments) as light:
            shown = await instruments.look("supply")
            assert (shown["on"], shown["volts"], shown["amps"]) == (False, 12.0, 0.0)
            await light.set_level(0.2)

    async def test_it_goes_dark_at_close_and_with_errors_in_the_queue(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments) as light:
            await light.set_level(1.0)
            await instruments.fault("supply", "errors", n=3)
            await light.set_level(0.0)
            await light.set_level(0.4)
            await instruments.fault("supply", "errors", n=3)
        assert not (await instruments.look("supply"))["on"]

    @pytest.mark.parametrize(
        ("keys", "said", "code"),
        [
            ({"limit_V": 40.0}, r"will not carry out 'VOLT 40.0': -222, Data out of range", "limit"),
            ({"current_A": (0.0, 5.0)}, r"will not carry out 'CURR 5.0': -222, Data out of range", "limit"),
            ({"current_A": (0.0, 0.70004), "steps": 100_000}, r"was told CURR 0.70004 and has 0.7", "device_fault"),
            ({"limit_V": 0.0104}, r"own limit is 0.01 \(VOLT\?\), in the bench file it is 0.0104", "limit"),
        ],
    )
    async def test_what_it_cannot_do_is_said_at_contact(
        self, instruments: SimulatedInstruments, keys: dict[str, Any], said: str, code: str
    ) -> None:
        """The first two are beyond the supply, the others finer than it can be set."""
        with pytest.raises(DeviceError, match=said) as caught:
            async with lighting(instruments, **keys):
                pass
        assert caught.value.code == code
        assert not (await instruments.look("supply"))["on"]

    async def test_a_limit_turned_at_the_knob_is_seen_before_it_lights(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments) as light:
            await instruments.fault("supply", "turn", volts=24.0)
            with pytest.raises(DeviceError, match="own limit is 24") as caught:
                await light.set_level(0.5)
            assert caught.value.code == "limit"
            assert not (await instruments.look("supply"))["on"]
            await instruments.fault("supply", "turn", volts=12.0)
            await light.set_level(0.5)

    async def test_a_level_turned_at_the_knob_is_told(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments) as light:
            await light.set_level(0.5)
            await instruments.fault("supply", "turn", amps=0.35)
            assert await light.level() == pytest.approx(0.5, abs=1e-3)
            await instruments.fault("supply", "turn", amps=2.0)
            assert await light.level() == 1.0
            assert (await light.health()).code == "changed"

    async def test_an_output_that_does_not_switch_is_said(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments) as light:
            await instruments.fault("supply", "stuck")
            with pytest.raises(DeviceError, match="stays off"):
                await light.set_level(0.5)
            assert (await light.health()).code == "dark"
            await instruments.fault("supply", "stuck", value=False)
            await light.set_level(0.5)
            assert (await light.health()).state == "ok"
            await instruments.fault("supply", "stuck")
            with pytest.raises(DeviceError, match=r"3 times, and its output is still on.*by hand"):
                await light.set_level(0.0)
            health = await light.health()
            assert (health.state, health.code) == ("fault", "unknown")
            await instruments.fault("supply", "stuck", value=False)

    async def test_a_protection_that_trips_is_dark_and_told_with_the_next_level(
        self, instruments: SimulatedInstruments
    ) -> None:
        async with lighting(instruments) as light:
            await light.set_level(0.5)
            await instruments.fault("supply", "trip")
            assert await light.level() == 0.0
            with pytest.raises(DeviceError, match="-240, Hardware error"):
                await light.set_level(0.5)
            assert not (await instruments.look("supply"))["on"]
            await light.set_level(0.5)

    @pytest.mark.parametrize("after_s", [0.0, 0.001, 0.003, 0.006, 0.01, 0.02])
    async def test_a_level_that_is_given_up_leaves_it_dark_or_as_it_was(
        self, instruments: SimulatedInstruments, after_s: float
    ) -> None:
        async with lighting(instruments, "supply_line") as light:
            setting = asyncio.create_task(light.set_level(0.9))
            await asyncio.sleep(after_s)
            setting.cancel()
            await asyncio.wait({setting}, timeout=2.0)
            assert setting.done()
            shown = await instruments.look("supply")
            assert not shown["on"] or not setting.cancelled()
            await asyncio.sleep(0.1)
            assert (await instruments.look("supply"))["on"] == shown["on"]

    async def test_two_lights_and_their_errors_on_one_supply_do_not_mix(
        self, instruments: SimulatedInstruments
    ) -> None:
        link = instruments.link("supply")
        await link.open()
        one, two = (ScpiLight.create(name, ScpiLightConfig(**LIGHT), link) for name in ("one", "two"))
        try:
            await one.open()
            await two.open()
            for _ in range(5):
                await asyncio.gather(one.set_level(0.3), two.set_level(0.6))
            assert (await instruments.look("supply"))["amps"] in (pytest.approx(0.21), pytest.approx(0.42))
        finally:
            await one.close()
            await two.close()
            await link.close()

    async def test_fault_18_a_light_whose_daemon_is_gone_stays_and_is_put_out_at_the_next_contact(
        self, instruments: SimulatedInstruments
    ) -> None:
        """The supply has no fail-safe, and the page of this driver says so."""
        async with lighting(instruments) as light:
            await light.set_level(0.5)
            assert not light.spec.has_failsafe
            await instruments.fault("supply", "unplug")
            assert (await light.health()).code == "link"
        assert (await instruments.look("supply"))["on"]
        await instruments.fault("supply", "plug")
        async with lighting(instruments):
            assert not (await instruments.look("supply"))["on"]

    async def test_fault_19_unplugged_while_it_is_set(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments) as light:
            await instruments.fault("supply", "silence", s=30)
            setting = asyncio.create_task(light.set_level(0.5))
            await asyncio.sleep(0.1)
            began = asyncio.get_running_loop().time()
            await instruments.fault("supply", "unplug")
            with pytest.raises(LinkError, match="lost"):
                await setting
            assert asyncio.get_running_loop().time() - began < 0.5

    async def test_fault_21_another_supply_is_told_nothing(self, instruments: SimulatedInstruments) -> None:
        await instruments.fault("supply", "identity", value="OTHER,BOX,1,2")
        await instruments.fault("supply", "turn", volts=5.0, amps=1.0, on=True)
        with pytest.raises(DeviceMismatch, match="OTHER,BOX"):
            async with lighting(instruments):
                pass

    @pytest.mark.parametrize("letter", [("6", "9"), ("2", "1"), ("C", "X"), ("O", "Q"), ("N", "M")])
    async def test_fault_29_a_command_altered_on_the_wire_never_lights_it_wrongly(
        self, instruments: SimulatedInstruments, letter: tuple[str, str]
    ) -> None:
        async with lighting(instruments, "supply_line") as light:
            await instruments.fault("supply_line", "alter", **{"from": letter[0], "to": letter[1]})
            try:
                await light.set_level(0.375)  # CURR 0.2625
            except DeviceError:
                assert not (await instruments.look("supply"))["on"]
            else:
                shown = await instruments.look("supply")
                assert shown["amps"] == pytest.approx(0.2625)
                assert shown["on"]
            await instruments.fault("supply_line", "clear")
            await light.set_level(0.375)
            assert (await instruments.look("supply"))["flows_A"] == pytest.approx(0.2625)

    async def test_fault_30_silent_but_obeying_is_told_to_go_dark(self, instruments: SimulatedInstruments) -> None:
        async with lighting(instruments, timeout_s=0.2) as light:
            await light.set_level(0.5)
            await instruments.fault("supply", "silence", s=30)
            with pytest.raises(LinkTimeout):
                await light.set_level(0.0)
            assert not (await instruments.look("supply"))["on"]
            assert (await light.health()).code == "unknown"
            await instruments.fault("supply", "clear")
            await light.set_level(0.0)
            assert (await light.health()).state == "ok"

    @pytest.mark.parametrize("what", ["split", "corrupt", "cut", "drop"])
    async def test_faults_24_26_31_damaged_and_lost_answers(self, instruments: SimulatedInstruments, what: str) -> None:
        """What is told as done is so; what is refused leaves it as it was, or dark."""
        async with lighting(instruments, "supply_line") as light:
            stands = 0.0
            for level in (0.2, 0.8, 0.3, 0.9):
                await instruments.fault("supply_line", what)
                try:
                    await light.set_level(level)
                except DeviceError:
                    shown = await instruments.look("supply")
                    assert not shown["on"] or shown["amps"] == pytest.approx(0.7 * stands)
                    stands = stands if shown["on"] else 0.0
                else:
                    stands = level
                    assert (await instruments.look("supply"))["flows_A"] == pytest.approx(0.7 * level)
            await light.set_level(0.5)
            assert await light.level() == pytest.approx(0.5, abs=1e-3)

    async def test_fault_34_a_supply_that_reads_nothing_is_given_up_in_time(
        self, instruments: SimulatedInstruments
    ) -> None:
        async with lighting(instruments, "supply_line", timeout_s=0.2) as light:
            await instruments.fault("supply_line", "stall", s=30)
            async with asyncio.timeout(light.answers_within_s):
                with pytest.raises(LinkError):
                    await light.set_level(0.5)
            await instruments.fault("supply_line", "clear")


FOREIGN = """
spec: "1.1"
devices:
  supply:
    eom:
      USB INSTR: {q: "\\n", r: "\\n"}
    error:
      status_register: [{q: "*ESR?", command_error: 32, query_error: 4}]
      error_queue:
        - q: "SYST:ERR?"
          default: '0, No Error'
          command_error: '-100, Command Error'
          query_error: '-400, Query Error'
    dialogues:
      - {q: "*IDN?", r: "OTHER,PS-1,5,2.0"}
      - {q: "*CLS"}
    properties:
      volts:
        default: 0
        getter: {q: "VOLT?", r: "{:.3f}"}
        setter: {q: "VOLT {:.4f}"}
        specs: {min: 0, max: 20, type: float}
      amps:
        default: 0
        getter: {q: "CURR?", r: "{:.4f}"}
        setter: {q: "CURR {:.4f}"}
        specs: {min: 0, max: 2, type: float}
      out:
        default: "ON"
        getter: {q: "OUTP?", r: "{:s}"}
        setter: {q: "OUTP {:s}"}
        specs: {valid: ["ON", "OFF"], type: str}
resources:
  USB::0x1111::0x2222::S1::INSTR: {device: supply}
"""


@asynccontextmanager
async def foreign(folder: Path, **keys: Any) -> AsyncIterator[tuple[ScpiLight, VisaMessages]]:
    (folder / "supply.yaml").write_text(FOREIGN, encoding="utf-8")
    config = VisaConfig(resource="USB0::0x1111::0x2222::S1::INSTR")
    link = VisaMessages("usb", config, library=f"{folder / 'supply.yaml'}@sim")
    await link.open()
    light = ScpiLight.create("lamp", ScpiLightConfig(**{**LIGHT, "identity": "^OTHER,PS-1,", **keys}), link)
    try:
        yield light, link
    finally:
        await light.close()
        await link.close()


async def test_a_supply_simulated_by_others_is_dimmed(tmp_path: Path) -> None:
    async with foreign(tmp_path) as (light, link):
        assert (await light.open()).firmware == "2.0"
        assert await light.level() == 0.0
        await light.set_level(0.5)
        assert await light.level() == pytest.approx(0.5)
        await link.query(b"CURR 0.1400\n", nothing, 1.0)
        assert await light.level() == pytest.approx(0.2)


async def test_a_supply_simulated_by_others_refuses_in_its_own_words(tmp_path: Path) -> None:
    async with foreign(tmp_path, limit_V=30.0) as (light, _link):
        with pytest.raises(DeviceError, match=r"does not understand 'VOLT 30.0': -100, Command Error"):
            await light.open()


@pytest.mark.parametrize(
    ("keys", "wrong"),
    [
        ({"current_A": None}, "either current_A or voltage_V"),
        ({"voltage_V": (0.0, 5.0)}, "either current_A or voltage_V"),
        ({"limit_V": None}, "current_A needs limit_V"),
        ({"limit_A": 1.0}, "limit_A: nothing here"),
        ({"current_A": (0.7, 0.1)}, "the second above the first"),
        ({"current_A": (-0.1, 0.1)}, "0 or more"),
        ({"current_A": None, "voltage_V": (0.0, 5.0)}, "limit_V: nothing here"),
        ({"current_A": None, "voltage_V": (0.0, 5.0), "limit_V": None}, "voltage_V needs limit_A"),
        ({"limit_V": 0.0}, "limit_V"),
        ({"steps": 0}, "steps"),
        ({"identity": "["}, "not a regular expression"),
        ({"timeout_s": 60}, "timeout_s"),
        ({"laser_class": "2"}, "laser_class"),
    ],
)
def test_a_wrong_key_is_refused(keys: dict[str, Any], wrong: str) -> None:
    with pytest.raises(ValidationError, match=wrong):
        ScpiLightConfig(**{**LIGHT, **keys})


def test_it_needs_a_link() -> None:
    with pytest.raises(ValueError, match="needs a link"):
        ScpiLight.create("lamp", ScpiLightConfig(**LIGHT), None)
