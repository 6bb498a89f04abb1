"""Rear element, glass and target stay clear of each other: refused before anything moves."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import SetupDocument, apply, first_setup
from benchd.bench.datum.clearance import check_clearance, clearance, depth_to_confirm_um
from benchd.errors import Refused
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.records_folder import Records

CONFIGS = Path(__file__).parents[3] / "configs"
FITTED: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"]}


@pytest.fixture(scope="module")
def bench() -> LoadedBench:
    return load_bench(CONFIGS / "workshop" / "bench.yaml")


def protruding(bench: LoadedBench, mm: float | None) -> LoadedBench:
    lens = bench.records.lens("L-0417").model_copy(update={"rear_protrusion_mm": mm})
    records = Records(bench.records.adapters, bench.records.glasses, bench.records.references, {"L-0417": lens})
    return LoadedBench(bench.file, bench.source, records)


def fitted(bench: LoadedBench, **changes: Any) -> SetupDocument:
    return apply(first_setup(bench.file), FITTED | changes, bench.records, bench.file)


def test_the_contracts_example_of_a_refusal(bench: LoadedBench) -> None:
    # Protrusion 40.5 mm, a pane of 2.498 mm and 2 mm of clearance make 44.998 mm; at 44.198 mm 1.2 mm are free.
    long = protruding(bench, 40.5)
    limit = clearance(long.file, long.records, fitted(long))
    with pytest.raises(Refused) as caught:
        check_clearance(limit, 44198.0)
    assert caught.value.as_json() == {
        "code": "clearance",
        "text": "Rear element, glass and target would have 1.2 mm between them; 2 mm is the least.",
        "advice": "Check rear_protrusion_mm (40.5) of lens L-0417 or remove the glass.",
        "data": {"least_um": 44998.0, "asked_um": 44198.0},
    }
    check_clearance(limit, 44998.0)


def test_glass_and_cover_take_their_full_thickness(bench: LoadedBench) -> None:
    bare = clearance(bench.file, bench.records, fitted(bench, glass=[])).least_depth_um
    assert bare == pytest.approx(10000.0)
    glass = bench.records.glass("pane-25")
    assert clearance(bench.file, bench.records, fitted(bench)).least_depth_um == pytest.approx(12498.0)
    target = bench.file.target.model_copy(update={"cover": glass.layers})
    covered = bench.file.model_copy(update={"target": target})
    assert clearance(covered, bench.records, fitted(bench)).least_depth_um == pytest.approx(14996.0)


def test_touching_is_said_as_such(bench: LoadedBench) -> None:
    with pytest.raises(Refused, match=r"would have no room: 0\.5 mm too little; 2 mm is the least"):
        check_clearance(clearance(bench.file, bench.records, fitted(bench)), 9998.0)


def test_an_unknown_protrusion_asks_first(bench: LoadedBench) -> None:
    unknown = protruding(bench, None)
    limit = clearance(unknown.file, unknown.records, fitted(unknown))
    assert limit.least_depth_um is None
    assert limit.question is not None
    with pytest.raises(Refused, match="not in its record"):
        check_clearance(limit, 40000.0)
    seen = replace(limit, least_depth_um=depth_to_confirm_um(40000.0))
    check_clearance(seen, 40000.0)
    with pytest.raises(Refused, match=r"pane-25 and the target, even with the target only 39\.8 mm behind the seat\?"):
        check_clearance(seen, 39850.0)


def test_what_is_asked_about_is_never_farther_than_where_the_carriage_comes() -> None:
    for depth_um, named_um in ((40010.0, 40000.0), (40009.0, 39900.0), (39999.0, 39900.0), (40109.9, 40000.0)):
        assert depth_to_confirm_um(depth_um) == named_um


def test_without_a_lens_nothing_is_in_the_way(bench: LoadedBench) -> None:
    limit = clearance(bench.file, bench.records, fitted(bench, lens=None))
    assert limit.least_depth_um is None
    assert limit.question is None
    check_clearance(limit, 0.0)
