"""Changes of the set-up: whole values, null clears, nothing that does not mate, nothing half done."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import Magnification, RingMark, SetupDocument, apply, first_setup
from benchd.errors import Refused
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.records_folder import Records

CONFIGS = Path(__file__).parents[2] / "configs"
FITTED: dict[str, Any] = {
    "lens": "L-0417",
    "adapters": ["ring-07"],
    "glass": ["pane-25"],
    "ring": "infinity",
    "distance_mm": 5000,
}


@pytest.fixture(scope="module")
def bench() -> LoadedBench:
    return load_bench(CONFIGS / "workshop" / "bench.yaml")


def change(
    bench: LoadedBench, setup: SetupDocument | None = None, rev: int | None = None, **values: Any
) -> SetupDocument:
    return apply(setup or first_setup(bench.file), values, bench.records, bench.file, rev=rev)


def refused(bench: LoadedBench, setup: SetupDocument | None = None, **values: Any) -> Refused:
    with pytest.raises(Refused) as caught:
        change(bench, setup, **values)
    return caught.value


def test_values_are_replaced_whole_and_the_revision_rises(bench: LoadedBench) -> None:
    first = change(bench, **FITTED)
    assert (first.rev, first.mount, first.arrangement) == (1, "m50", "wall")
    second = change(bench, first, adapters=["gap-03", "ring-07"], m={"value": 0.0101, "u": 0.00001}, ring={"mark": 2})
    assert second.rev == 2
    assert second.adapters == ("gap-03", "ring-07")
    assert second.glass == first.glass
    assert second.m == Magnification(value=0.0101, u=0.00001)
    assert second.ring == RingMark(mark=2)
    assert first.adapters == ("ring-07",)


def test_null_clears(bench: LoadedBench) -> None:
    full = change(bench, **FITTED, trim_um=5, temperature_C=21.5)
    bare = change(bench, full, lens=None, glass=None, adapters=None, distance_mm=None, trim_um=None, temperature_C=None)
    assert bare.model_dump(include=set(FITTED)) == {
        "lens": None,
        "adapters": (),
        "glass": (),
        "ring": None,
        "distance_mm": None,
    }
    assert (bare.mount, bare.trim_um, bare.temperature_C) == (None, 0.0, None)


def test_what_belongs_to_the_old_lens_or_wall_goes_with_it(bench: LoadedBench) -> None:
    before = change(bench, **FITTED, m={"value": 0.0101, "u": 0.00001}, f_number=2.8)
    other = change(bench, before, lens="L-0418")
    assert (other.ring, other.m, other.f_number) == (None, None, None)
    assert other.distance_mm == 5000
    assert change(bench, before, lens="L-0418", ring="infinity").ring == "infinity"
    assert change(bench, before, distance_mm=6000).m is None
    assert change(bench, before, distance_mm=5000).m == before.m
    assert change(bench, before, lens="L-0417").ring == "infinity"


def test_stale_until_driven_after_what_moves_the_nominal_place(bench: LoadedBench) -> None:
    driven = change(bench, **FITTED).model_copy(update={"stale": False})
    moving: list[dict[str, Any]] = [
        {"glass": []},
        {"trim_um": 5},
        {"distance_mm": 6000},
        {"temperature_C": 22},
        {"ring": "free"},
    ]
    for values in moving:
        assert change(bench, driven, **values).stale, values
    assert not change(bench, driven, job="J-88", f_number=4, glass=["pane-25"]).stale


def test_another_revision_is_a_conflict(bench: LoadedBench) -> None:
    setup = change(bench, **FITTED)
    assert change(bench, setup, rev=1, trim_um=1).rev == 2
    with pytest.raises(Refused) as caught:
        change(bench, setup, rev=7, trim_um=1)
    assert caught.value.code == "rev_conflict"
    assert caught.value.data["rev"] == 1


@pytest.mark.parametrize(
    ("values", "near"),
    [({"lens": "L-417"}, "L-0417"), ({"adapters": ["ring-7"]}, "ring-07"), ({"glass": ["pane25"]}, "pane")],
)
def test_unknown_names_are_refused_with_near_ones(bench: LoadedBench, values: dict[str, Any], near: str) -> None:
    error = refused(bench, **(FITTED | values))
    assert error.code == "unknown_name"
    assert near in error.advice
    assert error.advice.endswith("A new record is a file in the folder of its kind; it is known some seconds later.")


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"adapters": ["ring-07", "gap-03"]}, "Adapter gap-03 rests on 'rail', but adapter ring-07 offers 'm50'."),
        ({"adapters": []}, "Lens L-0417 rests on 'm50', but the bench offers 'rail'."),
        ({"adapters": ["ring-07", "ring-07"]}, "Adapter ring-07 can be fitted only once."),
        ({"glass": ["pane-25", "pane-25"]}, "Glass pane-25 can be fitted only once."),
        ({"lens": None, "adapters": ["gap-03"]}, "Glass pane-25 is held by ring-07, which is not fitted."),
        ({"ring": {"mark": 3}}, "Lens L-0417 has no mark 3.0."),
        ({"ring": "infinite"}, 'ring = "infinite" may not stand in the set-up.'),
        ({"ring": {"mark": 2, "unit": "m"}}, "ring = "),
        ({"distance_mm": "5 m"}, 'distance_mm = "5 m" may not stand in the set-up.'),
        ({"distance_mm": float("nan")}, "distance_mm = NaN may not stand in the set-up."),
        ({"distance_mm": -1}, "distance_mm = -1 may not stand in the set-up."),
        ({"trim_um": True}, "trim_um = true may not stand in the set-up."),
        ({"m": 0.01}, "m = 0.01 may not stand in the set-up."),
        ({"m": {"value": 0.01, "u": 0}}, "m.u = 0 may not stand in the set-up."),
        ({"adapters": "ring-07"}, 'adapters = "ring-07" may not stand in the set-up.'),
        ({"rev": 5}, "'rev' of the set-up may not be set."),
        ({"mount": "m50"}, "'mount' of the set-up may not be set."),
        ({"arrangement": "collimated"}, "'arrangement' of the set-up may not be set."),
        ({"glas": []}, "The set-up has no 'glas'."),
        ({"job": object()}, "The set-up takes JSON values with finite numbers."),
    ],
)
def test_what_may_not_stand_is_refused_in_words(bench: LoadedBench, values: dict[str, Any], text: str) -> None:
    with pytest.raises(Refused) as caught:
        apply(first_setup(bench.file), FITTED | values, bench.records, bench.file)
    error = caught.value
    assert error.code == "bad_request"
    assert error.text.startswith(text), error.text
    assert error.advice


@pytest.mark.parametrize(("typed", "limit"), [(71, "at most 45"), (46, "at most 45"), (-1, "at least 0")])
def test_a_temperature_that_is_no_rooms_in_celsius_is_refused_with_the_unit(
    bench: LoadedBench, typed: float, limit: str
) -> None:
    error = refused(bench, temperature_C=typed)
    assert error.code == "bad_request"
    assert error.text == f"temperature_C = {typed} may not stand in the set-up."
    assert error.advice == f"What may: a number of degrees Celsius, {limit}."


def test_a_mistyped_key_is_guessed(bench: LoadedBench) -> None:
    assert "Did you mean 'glass'?" in refused(bench, glas=[]).advice


def test_an_anamorphic_lens_is_refused_on_a_near_wall(bench: LoadedBench) -> None:
    lens = bench.records.lens("L-0417").model_copy(update={"squeeze": 1.8})
    records = Records(bench.records.adapters, bench.records.glasses, bench.records.references, {"L-0417": lens})
    with pytest.raises(Refused, match="anamorphic"):
        apply(first_setup(bench.file), FITTED, records, bench.file)
    set_to_wall = FITTED | {"ring": {"mark": 5}}
    assert apply(first_setup(bench.file), set_to_wall, records, bench.file).ring == RingMark(mark=5)


def test_a_stop_that_the_lens_does_not_open_to_is_refused(bench: LoadedBench) -> None:
    """An iris at f/1.4 was taken of an f/2 lens, and its curve was then called too wide for the f-number."""
    with pytest.raises(Refused, match=r"f_number 1.4 is wider than lens L-0417 opens: f/2 by its record") as refused:
        change(bench, **FITTED, f_number=1.4)
    assert "null where it is open" in refused.value.advice
    assert change(bench, **FITTED, f_number=1.95).f_number == 1.95, "a mark that is rounded"
    assert change(bench, **FITTED, f_number=5.6).f_number == 5.6
