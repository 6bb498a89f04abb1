"""Cables out and in again, in the short: what leaks and what resumes is counted here, times are not judged."""

from __future__ import annotations

import asyncio

import pytest
from rich.console import Console

import replug


@pytest.mark.stack
def test_fault_19_cables_pulled_and_plugged_in_again_leak_nothing_and_nothing_resumes() -> None:
    seen = asyncio.run(replug.cycled(4, 3, Console(quiet=True)))
    assert len(seen.back_s) == 4
    assert seen.resumed == 0
    assert seen.handles[1] <= seen.handles[0]
    assert seen.threads[1] <= seen.threads[0]


def test_what_is_not_as_it_has_to_be_is_told() -> None:
    fine = replug.Cycled([1.0, 2.9], 0, (40, 40), (9, 9), (90.0, 95.0))
    assert fine.failures == []
    worse = replug.Cycled([1.0, 3.1], 1, (40, 41), (9, 9), (90.0, 101.0))
    assert worse.failures == [
        "1 of 2 were not back within 3 s.",
        "1 times the carriage moved, or was homed, by itself.",
        "Handles went from 40 to 41, threads from 9 to 9.",
        "It grew by 11.0 MB.",
    ]
