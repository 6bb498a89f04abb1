"""What is answered to a change of the set-up: what was set, what went with it and why, where nominal is now."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import SetupDocument, apply, first_setup
from benchd.bench.datum.chain import datum_chain
from benchd.bench.setup_change import change_outcome
from benchd.files.loading import LoadedBench, load_bench
from benchd.verbs.setup import SetUp

CONFIGS = Path(__file__).parents[2] / "configs"
FITTED: dict[str, Any] = {
    "lens": "L-0417", "adapters": ["ring-07"], "ring": "infinity", "distance_mm": 5000.0,
    "m": {"value": 0.0101, "u": 0.00001},
}  # fmt: skip


@pytest.fixture(scope="module")
def bench() -> LoadedBench:
    return load_bench(CONFIGS / "workshop" / "bench.yaml")


def told(bench: LoadedBench, before: SetupDocument, **changes: Any) -> dict[str, Any]:
    """As answered, and held against the model of the answer."""
    after = apply(before, changes, bench.records, bench.file)
    chains = [datum_chain(bench.file, bench.records, one, {}, None) for one in (before, after)]
    doc = change_outcome(before, chains[0], after, chains[1], changes)
    SetUp.model_validate(doc)
    return doc


def fitted(bench: LoadedBench) -> SetupDocument:
    return apply(first_setup(bench.file), FITTED, bench.records, bench.file)


def test_another_lens_drops_ring_and_m_and_it_is_said(bench: LoadedBench) -> None:
    """The ring and m of the last lens were gone, nominal had moved by 508 um, and the answer was a revision."""
    doc = told(bench, fitted(bench), lens="L-0418")
    assert doc["set"] == {"lens": "L-0418"}
    assert doc["dropped"] == [
        {"key": "ring", "was": "infinity", "why": "it was stated of lens L-0417"},
        {"key": "m", "was": {"value": 0.0101, "u": 0.00001}, "why": "it was stated of lens L-0417"},
    ]
    assert doc["moved_um"] == pytest.approx(-501.0, abs=10.0), "the conjugate term went with them"
    assert doc["absolute"] is False
    assert any("ring" in clause for clause in doc["why_relative"])


def test_another_distance_drops_m_that_was_measured_at_the_old_one(bench: LoadedBench) -> None:
    (dropped,) = told(bench, fitted(bench), distance_mm=4000.0)["dropped"]
    assert (dropped["key"], dropped["why"]) == ("m", "it was measured at 5000 mm")


def test_without_a_lens_nominal_is_nowhere(bench: LoadedBench) -> None:
    doc = told(bench, fitted(bench), lens=None)
    assert (doc["nominal_carriage_um"], doc["moved_um"], doc["absolute"]) == (None, None, None)


def test_a_change_that_changes_nothing_leaves_the_revision(bench: LoadedBench) -> None:
    """`do setup` without arguments raised it, and a finding's set-up was then another one than the chain's."""
    stands = fitted(bench)
    assert apply(stands, {}, bench.records, bench.file) is stands
    doc = told(bench, stands, glass=[], lens="L-0417")
    assert (doc["rev"], doc["set"], doc["dropped"], doc["moved_um"]) == (stands.rev, {}, [], 0.0)
