"""Status reports, against the published interface of the open Grbl 1.1 motion firmware (doc/markdown/interface.md)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from benchd_simulators.firmware.report import Reporter, Snapshot


def snapshot(
    state: str = "Idle", z_mm: float = 0.0, offset_mm: float = 0.0, pins: str = "", power: float = 0.0
) -> Snapshot:
    return Snapshot(
        state, (0.0, 0.0, z_mm), (0.0, 0.0, offset_mm), 0.0, power=power, pins=pins, blocks_free=15, bytes_free=128
    )


def fields(reporter: Reporter, now: Snapshot) -> list[str]:
    return reporter.compose(now, machine=True, buffers=False).strip("<>").split("|")


@pytest.mark.published
def test_position_and_offset_obey_the_published_equation() -> None:
    # interface, Work Coordinate Offset: WPos = MPos - WCO, with the figures of its examples:
    # MPos:0.000,-10.000,5.000 and WCO:0.000,1.551,5.664.
    now = replace(snapshot(), at_mm=(0.0, -10.0, 5.0), offset_mm=(0.0, 1.551, 5.664))
    assert "MPos:0.000,-10.000,5.000" in Reporter().compose(now, machine=True, buffers=False)
    assert "WPos:0.000,-11.551,-0.664" in Reporter().compose(now, machine=False, buffers=False)


@pytest.mark.published
def test_state_comes_first_and_position_second_within_chevrons() -> None:
    # interface, Message Construction: chevrons, pipes, the first two fields always there.
    text = Reporter().compose(snapshot("Hold:0"), machine=True, buffers=True)
    assert text.startswith("<Hold:0|MPos:")
    assert text.endswith(">")
    assert "|Bf:15,128|" in text  # interface, Buffer State: its own example


@pytest.mark.published
def test_when_the_rare_fields_come() -> None:
    # interface: WCO in the first report after a reset, Ov in the second, both every tenth at rest, never together.
    reporter = Reporter()
    reports = [fields(reporter, snapshot()) for _ in range(40)]
    offsets = [at for at, report in enumerate(reports) if report[-1].startswith("WCO")]
    overrides = [at for at, report in enumerate(reports) if report[-1].startswith("Ov")]
    assert offsets == [0, 10, 20, 30]
    assert overrides[0] == 1
    assert not set(offsets) & set(overrides)
    assert len(overrides) == 4


@pytest.mark.published
def test_in_motion_they_come_less_often() -> None:
    # interface: 10 or 30 reports for WCO, 10 or 20 for Ov, depending on motion.
    reporter = Reporter()
    reports = [fields(reporter, snapshot("Run")) for _ in range(61)]
    assert [at for at, report in enumerate(reports) if report[-1].startswith("WCO")] == [0, 30, 60]


@pytest.mark.published
def test_a_changed_offset_is_told_at_once() -> None:
    # interface: "immediately in the next report, if an offset value has changed".
    reporter = Reporter()
    for _ in range(3):
        fields(reporter, snapshot())
    assert fields(reporter, snapshot(offset_mm=1.0))[-1] == "WCO:0.000,0.000,1.000"


@pytest.mark.published
def test_pins_stand_only_while_active() -> None:
    # interface, Input Pin State: always one letter or more with Pn, no field otherwise.
    reporter = Reporter()
    assert "Pn:Z" in fields(reporter, snapshot(pins="Z"))
    assert not any(field.startswith("Pn") for field in fields(reporter, snapshot()))


def test_there_is_no_negative_zero() -> None:
    assert "MPos:0.000,0.000,0.000" in Reporter().compose(snapshot(z_mm=-1e-7), machine=True, buffers=False)
