"""Line devices over a real pseudo-terminal: the right kind by quantity, scaled, retried, and never believed blindly."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.devices import (
    DeviceMismatch,
    Encoder,
    Gauge,
    Implausible,
    LinkGarbled,
    LinkTimeout,
    Meter,
)
from benchd.testing.peer import line_peer
from benchd_drivers.line import LineDriver, LineEncoder, LineGauge, LineMeter
from benchd_drivers.link.port import SerialLink

POSITION = {"ask": "P?", "pattern": r"^P=([-+0-9.a-zA-Z]+)$", "quantity": "position"}


@asynccontextmanager
async def device(reply: Callable[[bytes], bytes | None], **config: Any) -> AsyncIterator[Any]:
    with line_peer(reply) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        made = LineDriver.create("thing", LineDriver.Config(**{**POSITION, **config}), link)
        try:
            yield made
        finally:
            await made.close()
            await link.close()


def test_quantity_chooses_the_interface() -> None:
    link = SerialLink.create("wire", SerialLink.Config(port="/dev/null"))
    kinds = {"position": (LineEncoder, Encoder), "length": (LineGauge, Gauge), "temperature": (LineMeter, Meter)}
    for quantity, (own, interface) in kinds.items():
        own_keys: dict[str, Any] = {"range_um": (-1.0, 1.0)} if quantity == "length" else {}
        made = LineDriver.create("thing", LineDriver.Config(**{**POSITION, "quantity": quantity, **own_keys}), link)
        assert type(made) is own
        assert isinstance(made, interface)


@pytest.mark.parametrize(
    ("quantity", "key", "value"),
    [
        ("position", "scale", 2.0),
        ("position", "hysteresis_um", 0.3),
        ("gauge", "alpha_per_K", 8e-6),
        ("gauge", "offset", 1.0),
        ("temperature", "um_per_unit", 1000.0),
        ("temperature", "range_um", (0.0, 1.0)),
    ],
)
def test_a_key_of_another_kind_is_refused(quantity: str, key: str, value: Any) -> None:
    """`scale: 2` of an encoder was taken and left out: its readings stayed as they were."""
    own_keys: dict[str, Any] = {"range_um": (-1.0, 1.0)} if quantity == "gauge" else {}
    with pytest.raises(ValidationError, match=f"{key}: nothing here; it belongs to a "):
        LineDriver.Config(**{**POSITION, "quantity": quantity, **own_keys, key: value})


@pytest.mark.parametrize(
    ("keys", "told"),
    [({"scale": 0.0}, "scale must not be 0"), ({"low": 5.0, "high": 1.0}, "low must be below high"),
     ({"high": float("inf")}, "finite")],
)  # fmt: skip
def test_a_meter_that_would_tell_nothing_is_refused(keys: dict[str, float], told: str) -> None:
    """A factor of 0 was taken: each reading was its offset, and called good."""
    with pytest.raises(ValidationError, match=told):
        LineDriver.Config(**{**POSITION, "quantity": "temperature", **keys})


async def test_scale_and_unit() -> None:
    async with device(lambda ask: b"P=+12.5\r\n", um_per_unit=-1000.0) as scale:
        await scale.open()
        reading = await scale.read()
        assert (reading.value, reading.unit, reading.quality) == (-12500.0, "um", "good")
    async with device(lambda ask: b"P=50\n", quantity="temperature", unit="C", scale=0.1, offset=-2.0) as meter:
        assert ((await meter.read()).value, meter.unit, meter.quantity) == (3.0, "C", "temperature")


async def test_gauge_that_shows_millimetres_is_read_in_micrometres() -> None:
    """Its range is in micrometres, so that of one read as it shows everything would lie inside."""
    mm: dict[str, Any] = {"quantity": "gauge", "range_um": (-600, 600), "um_per_unit": 1000.0}
    async with device(lambda ask: b"P=+0.4125\n", **mm) as gauge:
        reading = await gauge.read()
        assert (reading.value, reading.unit, reading.quality) == (pytest.approx(412.5), "um", "good")
    async with device(lambda ask: b"P=-0.601\n", **mm) as gauge:
        assert (await gauge.read()).quality == "bad"


async def test_gauge_outside_its_range_is_bad() -> None:
    async with device(lambda ask: b"P=601.0\n", quantity="gauge", range_um=(-600, 600)) as gauge:
        assert (await gauge.read()).quality == "bad"
        assert (await gauge.health()).code == "out_of_range"


@pytest.mark.parametrize("text", [b"P=nan\n", b"P=inf\n", b"P=1e300\n", b"P=+-1\n"])
async def test_number_that_cannot_be_is_implausible(text: bytes) -> None:
    async with device(lambda ask: text) as scale:
        with pytest.raises(Implausible):
            await scale.read()
        assert (await scale.health()).state == "fault"


async def test_reference_mark_is_waited_for() -> None:
    asked = 0

    def reply(ask: bytes) -> bytes:
        nonlocal asked
        asked += 1
        return b"Z=1\n" if asked > 3 else b"Z=0\n"

    async with device(reply, reference_ask="Z?", reference_pattern="^Z=1$") as scale:
        assert await scale.seek_reference()
        assert asked == 4


async def test_scale_without_a_mark_says_so() -> None:
    async with device(lambda ask: b"P=0\n") as scale:
        assert not await scale.seek_reference()


async def test_fault_21_swapped_devices_are_told_apart() -> None:
    async with device(lambda ask: b"indicator 7\n", identity_ask="I?", identity_pattern="^counter") as scale:
        with pytest.raises(DeviceMismatch, match="'indicator 7'"):
            await scale.open()


async def test_another_kind_of_device_is_refused() -> None:
    async with device(lambda ask: b"R=+0.5\n") as scale:
        with pytest.raises(LinkGarbled, match="does not fit"):
            await scale.open()


@pytest.mark.parametrize("damage", [b"P=+1\x8a5\r\n", b"?\n", b"NAK\r\n", b"\n", None])
async def test_fault_31_damaged_or_missing_answer_is_asked_for_again(damage: bytes | None) -> None:
    asked = 0

    def reply(ask: bytes) -> bytes | None:
        nonlocal asked
        asked += 1
        return damage if asked == 1 else b"P=+%d\n" % asked

    async with device(reply) as scale:
        # Of a computer that is late itself more is asked than that once; what is told is always the newest answer.
        assert (await scale.read()).value == asked >= 2
        assert (await scale.read()).value == asked >= 3


async def test_asking_again_is_bounded() -> None:
    asked = 0

    def reply(ask: bytes) -> bytes:
        nonlocal asked
        asked += 1
        return b"NAK\n"

    async with device(reply) as scale:
        with pytest.raises(LinkGarbled):
            await scale.read()
        assert asked == 3
        assert (await scale.health()).state == "fault"


async def test_fault_33_wrong_baud_rate_is_said() -> None:
    async with device(lambda ask: bytes([0xFE, 0x80, 0xE6, 0x1C, 0xF8, 0x0A])) as scale:
        with pytest.raises(LinkGarbled, match=r"baud rate"):
            await scale.read()


async def test_silence_is_a_timeout() -> None:
    async with device(lambda ask: None, timeout_s=0.1) as scale:
        with pytest.raises(LinkTimeout):
            async with asyncio.timeout(120.0):
                await scale.read()


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"pattern": "P=.*"}, "exactly one group"),
        ({"pattern": "P=(("}, "not a regular expression"),
        ({"um_per_unit": 0.0}, "must not be 0"),
        ({"quantity": "gauge", "range_um": (-1.0, 1.0), "um_per_unit": -1.0}, "grows: shallower"),
        ({"quantity": "gauge"}, "needs range_um"),
        ({"reference_ask": "Z?"}, "belong together"),
        ({"asks": "P?"}, "Extra inputs"),
    ],
)
def test_config_says_what_is_wrong(change: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        LineDriver.Config(**{**POSITION, **change})


@pytest.mark.parametrize(("contacts", "closed", "open_"), [("normally_closed", 0.0, 1.0), ("normally_open", 1.0, 0.0)])
async def test_a_switch_reads_1_while_it_is_acted_on(contacts: str, closed: float, open_: float) -> None:
    says = [b"S=1\n"]
    config = {"ask": "S?", "pattern": r"^S=(.+)$", "quantity": "switch", "contacts": contacts, "timeout_s": 0.2}
    async with device(lambda _: says[0], **config) as switch:
        assert (switch.quantity, switch.contacts) == ("switch", contacts)
        await switch.open()
        assert (await switch.read()).value == closed
        says[0] = b"S=0\n"
        assert (await switch.read()).value == open_
        for nonsense in (b"S=2\n", b"S=0.5\n", b"S=nan\n", b"S=x\n"):
            says[0] = nonsense
            with pytest.raises(Implausible):
                await switch.read()
            assert (await switch.health()).state == "fault"
        says[0] = b"ERR\n"
        with pytest.raises(LinkGarbled):
            await switch.read()


def test_a_switch_has_contacts_and_nothing_else_has() -> None:
    with pytest.raises(ValidationError, match="needs contacts"):
        LineDriver.Config(**{**POSITION, "quantity": "switch"})
    with pytest.raises(ValidationError, match="belongs to a switch"):
        LineDriver.Config(**{**POSITION, "quantity": "temperature", "contacts": "normally_open"})
