"""The shipped procedures and two drawn ones, foreseen and then run; `scripts/foreseen` does so with two hundred."""

from __future__ import annotations

import pytest

from foreseen import foreseen
from tests.stack.conftest import PACE

pytestmark = pytest.mark.stack


async def test_what_was_foreseen_is_what_happens() -> None:
    """The dry run was an interpreter of its own, and wrong in 7 of 8 probes."""
    assert await foreseen(2, 1, PACE, timed=False) == {}
