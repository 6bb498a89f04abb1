"""Inputs as typed: lists of numbers and lengths as well as of ids."""

from __future__ import annotations

from benchd.cli.inputs import from_words


def test_a_list_is_read_by_what_it_is_of() -> None:
    inputs = {
        "adapters": {"type": "list", "of": "adapter"},
        "levels": {"type": "list", "of": "number"},
        "offsets_um": {"type": "list", "of": "length", "unit": "um"},
    }
    typed = ["adapters=ring-07,45", "levels=0.2, 0.5", "offsets_um=-10 um,0.1 mm,5"]
    assert from_words(typed, inputs) == {
        "adapters": ["ring-07", "45"],
        "levels": [0.2, 0.5],
        "offsets_um": [-10.0, 100.0, 5],
    }
