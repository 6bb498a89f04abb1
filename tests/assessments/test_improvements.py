"""Advice on a line of a budget: the nearest there is to its name."""

from __future__ import annotations

from benchd.arrangements.collimator_reticle import CollimatorReticle
from benchd.arrangements.wall import Wall
from benchd.assessments.improvements import CHAIN, advice_for
from benchd.questions.registry import names, question


def test_a_line_of_its_own_name_goes_before_the_first_word_of_it() -> None:
    """To work nearer the place of the zero was advised against what a scale's subdivision is off by anywhere."""
    assert "work nearer" in advice_for("position scale", None)
    assert "divides better" in advice_for("position subdivision", None)
    for line in ("position periodic", "position backlash", "position homing"):
        assert "encoder" in advice_for(line, None)


def test_a_part_goes_before_either() -> None:
    assert "settle nearer" in advice_for("thermal temperature", "expansion"), "whatever the line is called"
    assert "two_walls" in advice_for("conjugate", "gap", Wall.improves)
    assert "collimate" in advice_for("conjugate", "what nobody foresaw", Wall.improves)


def test_a_zero_names_the_procedure_that_finds_it() -> None:
    assert "bench_zero" in advice_for("base", None)
    assert "fixed_zero" in advice_for("base", None, CollimatorReticle.improves)
    assert "seat_zero" in advice_for("seat ring-07", None)
    assert "seat_zero" in advice_for("adapter ring-07", None)
    assert "fixed_zero" in advice_for("target_cover", "thickness", CollimatorReticle.improves)


def test_no_bench_is_advised_a_procedure_that_it_refuses() -> None:
    """On a bench whose target stands fixed `glass_toggle` was advised, and refused when it was asked for."""
    carried = [name for name in names() if question(name).target == "carried"]
    assert {"glass_toggle", "seat_zero", "bench_zero", "adapter_length"} <= set(carried)
    for key in CHAIN:
        line, _, part = key.partition(" ")
        advice = advice_for(line, part or None, CollimatorReticle.improves)
        assert [name for name in carried if name in advice] == [], key
