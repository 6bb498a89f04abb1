"""A bench at work on a loaded machine, in the short and without the load: what is counted, and what counts as wrong."""

from __future__ import annotations

import asyncio

import pytest
from rich.console import Console

import loaded


@pytest.mark.stack
def test_a_bench_at_work_keeps_trust() -> None:
    worked = asyncio.run(loaded.at_work(0.05, 0, 3, Console(quiet=True)))
    assert worked.moves >= 1
    assert worked.sweeps >= 1
    assert worked.failures == []


def test_what_is_not_as_it_has_to_be_is_told() -> None:
    assert loaded.Worked(4, 2).failures == []
    assert loaded.Worked(4, 2, [(62.04, "it crept")], [(3.0, "too late")]).failures == [
        "    3.0 s: too late",
        "   62.0 s: it crept",
    ]
    assert loaded.Worked(4, 0).failures == ["No move or no sweep was taken: nothing was shown."]
