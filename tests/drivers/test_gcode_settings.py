"""What a G-code controller says of its settings, held against a bench file. Numbers and letters: Grbl 1.1,
doc/markdown/settings.md and interface.md (cited by name)."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from benchd.devices import DeviceMismatch
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.gcode_config import GcodeAxisConfig
from benchd_drivers.gcode_fit import fits, home_fits
from benchd_drivers.gcode_output import Output
from benchd_drivers.gcode_queue import Sent
from benchd_drivers.gcode_settings import BoardSettings
from benchd_drivers.link.port import SerialLink


def settings(*lines: str) -> BoardSettings:
    found = BoardSettings()
    for text in lines:
        found.take(text)
    return found


def axis(**changes: Any) -> GcodeAxisConfig:
    return GcodeAxisConfig(
        **{
            "letter": "Z",
            "travel_um": (-30000, -1000),
            "top_speed_um_s": 4000,
            "acceleration_um_s2": 20000,
            "home_search_um": 32000,
            **changes,
        }
    )


STOCK = ("$20=1", "$22=1", "$23=0", "$27=1.000", "$132=31.000", "[OPT:V,15,128]")


@pytest.mark.published
def test_machine_space_and_place_after_homing() -> None:
    # settings.md, $23 and $27: machine space is negative, homing ends a pull-off away from the switch; $23 turns the
    # direction about, axis by axis. interface.md, OPT: Z is 'homing force origin enabled', then that place is 0.
    assert settings(*STOCK).home_of("Z") == (-1.0, True)
    assert settings(*STOCK).space_of("Z") == (-31.0, 0.0)
    assert settings(*STOCK, "$23=4").home_of("Z") == (-30.0, False)
    assert settings(*STOCK, "$23=3").home_of("Z") == (-1.0, True)
    forced = settings(*STOCK, "$23=4", "[OPT:VZ,15,128]")
    assert forced.home_of("Z") == (0.0, False)
    assert forced.space_of("Z") == (0.0, 31.0)
    assert settings(*STOCK, "$20=0").space_of("Z") is None


def test_nothing_is_concluded_from_what_is_not_told() -> None:
    silent = settings()
    assert silent.home_of("Z") is None
    assert silent.pwm
    fits("stage", axis(travel_um=(0, 30000)), silent)
    Output("lamp", None, silent)
    with pytest.raises(DeviceMismatch, match="does not tell on which side"):
        home_fits("stage", axis(travel_um=(0, 30000)), -1000, None)
    home_fits("stage", axis(travel_um=(-30000, 0)), -1000, None)


@pytest.mark.parametrize(
    ("changes", "good"),
    [
        ({}, True),
        ({"travel_um": (-30000, -2000)}, True),  # the switch outside the limits, the way to them away from it
        ({"travel_um": (-30000, 0)}, False),
        ({"travel_um": (0, 30000)}, False),
        ({"positive": "shallower", "travel_um": (1000, 30000)}, True),
        ({"positive": "shallower", "travel_um": (0, 30000)}, False),
        ({"positive": "shallower", "travel_um": (0, 30000), "zero_at": -1.0}, True),
        ({"zero_at": -31.0, "travel_um": (0, 30000)}, True),
        ({"travel_um": (-32000, -1000)}, False),  # beyond the board's own limits
    ],
)
def test_travel_lies_on_the_side_away_from_the_switch(changes: dict[str, Any], good: bool) -> None:
    if good:
        fits("stage", axis(**changes), settings(*STOCK))
        return
    with pytest.raises(DeviceMismatch) as refused:
        fits("stage", axis(**changes), settings(*STOCK))
    assert "Write" in refused.value.advice


def test_a_faster_board_than_stated_is_no_matter() -> None:
    fits("stage", axis(), settings(*STOCK, "$112=500", "$122=200", "$102=4000"))


@pytest.mark.parametrize(
    ("changes", "told", "good"),
    [
        ({}, ("$132=20",), True),  # 30 mm of search, and 30 mm from the far end to the switch
        ({}, ("$132=19.9",), False),
        ({"travel_um": (-24000, -1000)}, ("$132=16",), True),
        ({"travel_um": (-24000, -2000)}, ("$132=15.9",), False),  # the switch is not at the end of travel_um
        ({"letter": "X"}, ("$130=12", "$131=31"), True),  # X and Y search as far as the longer of them
        ({"letter": "X"}, ("$130=12", "$131=19"), False),
        ({"letter": "X"}, ("$130=12",), True),  # nobody knows how far Y lets it search
        ({"letter": "A"}, ("$133=12",), False),  # behind X, Y and Z
        ({"letter": "U"}, ("$136=12",), True),  # its number is not settled
    ],
)
def test_homing_search_reaches_the_switch_from_all_of_the_travel(
    changes: dict[str, Any], told: tuple[str, ...], good: bool
) -> None:
    """Soft limits off, `$132=15` opened, and homing from afar ended in 'switch not found'."""
    board = settings("$20=0", "$22=1", "$23=0", "$27=1.000", "[OPT:V,15,128]", *told)
    if good:
        fits("stage", axis(**changes), board)
        return
    with pytest.raises(DeviceMismatch, match="homing searches") as refused:
        fits("stage", axis(**changes), board)
    assert f"${130 + 'XYZA'.index(changes.get('letter', 'Z'))}=" in refused.value.advice


def test_where_the_switch_is_not_told_the_search_is_held_against_the_travel_alone() -> None:
    fits("stage", axis(), settings("$132=19.4"))
    with pytest.raises(DeviceMismatch, match=r"29000 µm away"):
        fits("stage", axis(), settings("$132=19.2"))


def test_homing_that_is_switched_off_is_refused() -> None:
    with pytest.raises(DeviceMismatch, match=r"switched off in the controller \(\$22=0\)") as refused:
        fits("stage", axis(), settings(*STOCK, "$22=0"))
    assert "`$22=1`" in refused.value.advice
    fits("stage", axis(), settings(*STOCK, "$22=3"))  # bits, on some


@pytest.mark.published
def test_lines_that_it_carries_out_by_itself_are_refused() -> None:
    # settings.md, $N: two lines, run after each reset or, where homing is on, after each homing; empty ones are told.
    fits("stage", axis(), settings(*STOCK, "$N0=", "$N1="))
    with pytest.raises(DeviceMismatch, match="carries out 'G0X10' by itself"):
        fits("stage", axis(), settings(*STOCK, "$N0=G0X10", "$N1="))


def test_levels_and_s_values() -> None:
    output = Output("lamp", None, settings("$30=1000", "$31=200"))
    assert [output.power(level) for level in (0.0, 0.5, 1.0)] == [0, 600, 1000]
    assert [output.level(power) for power in (0, 600, 1000)] == [0.0, 0.5, 1.0]
    assert output.lines(0.0) == ["M5"]
    assert output.lines(0.5) == ["M5", "M3 S600"]
    assert output.steps == 800


async def test_a_line_that_echoes_real_time_bytes_is_understood() -> None:
    """Over a half-duplex line `?ok` came, and was no answer."""
    board = GcodeBoard(SerialLink.create("board", SerialLink.Config(port="/dev/null")))
    for said in ("ok", "?ok", "!?ok", "\ufffd?ok"):
        sent = Sent("M5", asyncio.get_running_loop().create_future())
        await board._lines.room.acquire()
        board._lines.add(sent)
        board._take(said)
        assert sent.answer.done(), said


@pytest.mark.parametrize(
    ("um_per_unit", "resolution_um", "told_um"),
    [(1000.0, 1.0, 1.0), (1000.0, 0.25, 1.0), (1000.0, 5.0, 5.0), (5000.0, 1.0, 5.0)],
)
def test_a_bench_that_counts_steps_goes_by_what_is_told(
    um_per_unit: float, resolution_um: float, told_um: float
) -> None:
    """Positions are reported with three digits of the controller's unit, whatever a step of its motor is."""
    assert axis(um_per_unit=um_per_unit, resolution_um=resolution_um).spec().resolution == pytest.approx(told_um)
