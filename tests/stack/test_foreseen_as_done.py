"""The shipped procedures and a dozen drawn ones, each foreseen and then run; `scripts/foreseen` takes two hundred, and
holds their times as well."""

from __future__ import annotations

import pytest

from foreseen import drawn, foreseen
from tests.stack.conftest import PACE

pytestmark = pytest.mark.stack


async def test_what_was_foreseen_is_what_happens() -> None:
    """The dry run was an interpreter of its own, and wrong in 7 of 8 probes."""
    assert await foreseen(12, 1, PACE, timed=False) == {}


def test_the_same_number_draws_the_same_procedures() -> None:
    assert drawn(5, 3) == drawn(5, 3) != drawn(5, 4)
