"""A bench too uncertain for any lens to pass says so before a sweep, and names what to better as a finding does."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from benchd.bench.analysis import Analysis
from benchd.bench.datum.feasibility import warn_if_infeasible
from benchd.bench.events import Events
from benchd.bench.notices import Notices
from benchd.devices import Clock
from benchd.files.loading import LoadedBench
from tests.bench.datum.wall_chain import chain_of

END = "end"


@pytest.fixture
async def analysis() -> AsyncIterator[Analysis]:
    worker = Analysis()
    yield worker
    await worker.close()


async def told(bench: LoadedBench, analysis: Analysis, tolerance_um: float) -> str:
    """The advice of the warning for a lens at a wall whose image's place is known by distance and focal length."""
    lens, notices = bench.records.lens("L-0417"), Notices()
    assert lens.tolerance is not None
    lens = lens.model_copy(update={"tolerance": lens.tolerance.model_copy(update={"flange_um": tolerance_um})})
    chain = chain_of(bench, ring="infinity", distance_mm=5000.0)
    with notices.subscribe() as heard:
        await warn_if_infeasible(chain, lens, analysis, Events(notices, None, Clock()))
        notices.tell(END, {})
        said = await anext(aiter(heard))
    if said.topic == END:
        return ""
    assert said.doc is not None
    assert said.doc["code"] == "cannot_pass"
    return str(said.doc["advice"])


async def test_the_part_of_a_line_is_named_that_lets_a_lens_pass(wall: LoadedBench, analysis: Analysis) -> None:
    """It said 'the largest line is conjugate', of which the focal length is nearly all, and not what to do about it."""
    assert await told(wall, analysis, 10.0) == ""
    advice = await told(wall, analysis, 8.0)
    # 8 / 1.96 / 1.01 = 4.04 for all; base, ring, joints, plate and the rest of the conjugate line take 2.53 of it.
    assert advice.startswith(
        "Focal length of the conjugate line lets a lens pass once its u is 3.1 µm instead of 4.1 ("
    )
    assert "): measure m too, by `magnification` or by tape" in advice
    assert advice.endswith("or collimate.")


async def test_where_no_part_alone_is_enough_the_largest_is_named(wall: LoadedBench, analysis: Analysis) -> None:
    for tolerance_um in (3.0, 0.2):  # 0.2: so far too much that even the middle of it fails
        advice = await told(wall, analysis, tolerance_um)
        assert advice.startswith("Most of the doubt is focal length of the conjugate line, u = 4.1 µm (")
