"""Roles hold inside a run as well: what needs `keep` is no back door for who may only drive."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.commands.control import Roles
from benchd.errors import Refused
from benchd.files.loading import LoadedBench
from benchd.procedures.allowed import require_roles
from benchd.procedures.library import Library
from tests.fakes.bench import USER, FakeBench, fake_bench, library, yes

STEPS = {
    "calls": """
inputs: {reference: {type: reference}}
steps: [call: {procedure: bench_zero, inputs: {reference: "${reference}"}}]
""",
}
OF_KEEPERS = {
    "bench_zero", "seat_zero", "fixed_zero", "adapter_length", "collimator_zero", "glass_toggle", "joint_study",
    "two_walls", "shim_proof", "axis_test", "home_repeat",
}  # fmt: skip


@pytest_asyncio.fixture
async def made(tmp_path: Path, wall: LoadedBench) -> AsyncIterator[FakeBench]:
    """A bench on which `rail`, who runs everything, may drive."""
    async with fake_bench(tmp_path, wall, library(tmp_path, STEPS)) as made:
        made.person.says = yes
        made.roles = Roles({USER: "drive"})
        await made.ready()
        yield made


@pytest.mark.parametrize("name", ["bench_zero", "calls"])
async def test_a_run_with_a_step_beyond_the_users_role_is_refused_before_anything_moves(
    made: FakeBench, name: str
) -> None:
    """Whoever could drive put calibrations in force by running `bench_zero`."""
    moved = list(made.moves_um)
    with pytest.raises(Refused) as no:
        await made.run(name, reference="collar-45")
    assert no.value.text == "The step `accept` of bench_zero: rail has the role drive; this needs keep."
    assert no.value.code == "not_allowed"
    assert no.value.advice.startswith("Have it run by a user who may `accept`. Roles stand in the bench file")
    assert made.person.asked == []
    assert made.moves_um == moved
    plan = await made.command("run", {"procedure": name, "inputs": {"reference": "collar-45"}, "dry": True})
    assert plan["problems"] == [no.value.text]
    made.roles = Roles({USER: "keep"})
    assert await made.ended(await made.run(name, reference="collar-45")) == "done"


async def test_what_drivers_are_for_they_may_run(made: FakeBench) -> None:
    assert await made.ended(await made.run("next_lens", most=1)) == "done"


def test_which_of_the_shipped_ones_a_driver_may_run() -> None:
    shipped, roles = Library.shipped().procedures, Roles({"bob": "drive"})

    def refused(procedure: Any) -> bool:
        try:
            require_roles(procedure, shipped, "bob", roles.need)
        except Refused:
            return True
        return False

    assert {name for name, one in shipped.items() if refused(one)} == OF_KEEPERS
