"""A machine that holds the daemon up for a moment takes no trust away: a late look is no lost step."""

from __future__ import annotations

import asyncio
import random
import signal

import pytest

from tests.faults.conftest import lab

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-held-up")]

MOVES, HELD_S = 8, 0.25
FAR_UM, NEAR_UM = 29_000.0, 1_000.0


async def test_a_daemon_that_was_held_up_in_its_moves_still_knows_where_it_is() -> None:
    rng = random.Random(3)
    async with lab(seed=14) as bench, bench.at():
        await bench.home()
        daemon = bench.stack.process("daemon")

        async def hold_up() -> None:
            while True:
                await asyncio.sleep(rng.uniform(0.05, 0.15))
                daemon.send_signal(signal.SIGSTOP)
                await asyncio.sleep(HELD_S)
                daemon.send_signal(signal.SIGCONT)

        holding = asyncio.create_task(hold_up())
        try:
            for count in range(MOVES):
                await bench.client.do("move", carriage_um=NEAR_UM if count % 2 else FAR_UM, within_s=30)
        finally:
            holding.cancel()
            await asyncio.wait({holding})
            daemon.send_signal(signal.SIGCONT)
        state = await bench.carriage(homed=True, state="idle")
        assert state["carriage_um"] == pytest.approx(NEAR_UM, abs=2.0)
        assert bench.place_um() == pytest.approx(NEAR_UM, abs=60.0), "the scale's own error and the zero's apart"
