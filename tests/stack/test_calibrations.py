"""No hidden zeros: a calibration that is taken away, or has run out, shows in what is found without it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from benchd.devices.clock import Clock
from benchd.records.store import Store
from stack import Stack
from tests.stack.conftest import PACE, SEED, person

pytestmark = pytest.mark.stack


@asynccontextmanager
async def record_of(stack: Stack) -> AsyncIterator[Store]:
    """The bench's record, open while the daemon is away."""
    await stack.end("daemon")
    store = await Store.open("sqlite:///workshop.db", stack.bench_file.parent, Clock())
    try:
        yield store
    finally:
        await store.close()
    await stack.start_daemon()


async def test_without_a_calibration_the_interval_widens_or_zero_is_gone(records: Mapping[str, Path]) -> None:
    async with Stack(seed=SEED, pace=PACE, record=records["workshop"]) as stack:

        async def check() -> dict:  # type: ignore[type-arg]
            async with person(stack) as (_, technician):
                return await technician.check("L-0417", ["ring-07"], ["pane-25"])

        whole = await check()
        assert whole["absolute"] is True
        assert whole["calibrations"] == ["cal-1", "cal-2"]

        async with record_of(stack) as store:
            await store.withdraw_calibration("ring-07", by="keeper")
        withdrawn = await check()
        lines = {line["term"]: line for line in withdrawn["budget"]}
        assert (lines["adapter ring-07"]["u"], lines["adapter ring-07"]["source"]) == (1.5, "given by maker")
        assert withdrawn["values"]["focus_error"]["U"] > whole["values"]["focus_error"]["U"]
        assert any("ring-07 not calibrated" in note for note in withdrawn["notes"])
        assert withdrawn["absolute"] is True
        assert withdrawn["calibrations"] == ["cal-1"]

        async with record_of(stack) as store:
            zero = (await store.calibrations_in_force(Clock().utc()))["base-depth"]
            assert zero.value is not None
            assert zero.u is not None
            await store.add_calibration(
                "base-depth", zero.value, zero.u, zero.unit, at_C=zero.at_C, dof=zero.dof,
                finding=zero.finding, valid_until="2001-01-01T00:00:00Z", by="keeper",
            )  # fmt: skip
        run_out = await check()
        assert run_out["absolute"] is False
        assert run_out["verdict"] is None
        assert run_out["advice"] is None
        assert run_out["calibrations"] == []
        assert any("findings are relative" in note for note in run_out["notes"])
        # 100 um is what the bench file says of the base that nobody measured
        assert run_out["values"]["focus_error"]["u"] > 100.0
