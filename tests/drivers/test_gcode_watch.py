"""What a controller's own words give away: a place that changed at rest, a switch that is still active after 'ok'."""

from __future__ import annotations

import pytest

from benchd.devices import Clock, HomeFailed
from benchd.testing.peer import PtyPeer
from benchd_drivers.gcode_axis import GcodeAxis
from benchd_drivers.gcode_status import Report, parse_report
from benchd_drivers.gcode_watch import Watch
from benchd_drivers.link.port import SerialLink
from tests.drivers.stage import stage_config

FIGURES = stage_config(resolution_um=0.5)
"""It stands where it stood within 2 um."""


@pytest.fixture
def watch() -> Watch:
    """An axis that is homed and has nothing to do; its place is the third number, in millimetres."""

    def place(report: Report) -> float | None:
        return None if report.mpos is None else 1000.0 * report.mpos[2]

    watch = Watch("stage", FIGURES, place, lambda _: None, Clock())
    watch.trust.gain()
    return watch


def tells(watch: Watch, *places_um: float, state: str = "Idle") -> None:
    for count, at_um in enumerate(places_um):
        report = parse_report(f"<{state}|MPos:0.000,0.000,{at_um / 1000.0:.3f}|FS:0,0>".encode(), float(count))
        assert report is not None
        watch.on_report(report)


def test_a_place_that_jumps_at_rest_costs_the_trust(watch: Watch) -> None:
    """A controller that began anew unheard counts from elsewhere: every move after it would go to a wrong place."""
    tells(watch, 5000.0, 5000.0, 0.0)
    assert watch.trust.homed, "one report may be damaged"
    tells(watch, 0.0)
    assert not watch.trust.homed
    assert watch.trust.why == "its position went from 5000.0 to 0.0 µm at rest"
    assert watch.trust.health().code == "reset"


def test_one_damaged_report_is_no_jump(watch: Watch) -> None:
    tells(watch, 5000.0, 8000.0, 5000.0, 5001.0, 6000.0, 7000.0, 5000.0)
    assert watch.trust.homed


def test_a_place_that_changes_in_motion_is_no_jump(watch: Watch) -> None:
    tells(watch, 5000.0)
    watch.begins("move")
    tells(watch, 5000.0, 5400.0, 5900.0, state="Run")
    watch.rests()
    tells(watch, 6000.0, 6000.0)
    assert watch.trust.homed
    tells(watch, 6003.0, 6003.0)
    assert not watch.trust.homed


@pytest.mark.parametrize("pins", ["", "Z"])
async def test_a_switch_still_active_after_homing_is_a_homing_that_failed(pins: str) -> None:
    """Not every controller looks at the switch again after its pull-off: 'ok' was taken for a zero."""
    told = f"<Idle|MPos:0.000,0.000,-1.000|FS:0,0{'|Pn:' + pins if pins else ''}>\r\n".encode()
    at_start = b"<Idle|MPos:0.000,0.000,-9.000|FS:0,0>\r\n"
    line, homed = bytearray(), False

    def answer(peer: PtyPeer, data: bytes) -> None:
        nonlocal homed
        for byte in data:
            if byte == ord("?"):
                peer.send(told if homed else at_start)
            elif byte == 0x18:
                peer.send(b"Board 1.1h ['$' for help]\r\n")
            elif byte == ord("\n"):
                homed = homed or line == b"$H"
                line.clear()
                peer.send(b"ok\r\n")
            elif byte < 0x80 and byte not in b"!~\r":
                line.append(byte)

    with PtyPeer(answer) as peer:
        link = SerialLink.create("board", SerialLink.Config(port=peer.path))
        await link.open()
        axis = GcodeAxis.create("stage", stage_config(), link)
        await axis.open()
        try:
            if pins:
                with pytest.raises(HomeFailed, match="still active after homing"):
                    await axis.home()
            else:
                await axis.home()
            assert axis.homed is (not pins)
        finally:
            await axis.close()
            await link.close()
