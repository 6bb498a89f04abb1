"""The whole stack in processes of its own: simulated hardware, broker, daemon; the tests are one more MQTT client.

Here is what shows in processes alone: brokers, other people's clients, the command line, the demo. What a bench does
with its hardware, whoever tells it to, is tested in `tests/virtual`.
"""

from __future__ import annotations

import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

sys.path.append(str(Path(__file__).resolve().parents[2] / "scripts"))

from stack import Stack
from technician import Technician

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

PACE = 5.0
SEED = 1
"""The bench of all tests but those of truth; the first there is, not chosen by what it draws."""


def quiet(_: str) -> None:
    """What the technician says goes nowhere."""


@asynccontextmanager
async def person(stack: Stack) -> AsyncIterator[tuple[BenchClient, Technician]]:
    """A client that holds control, and the technician who works with it."""
    async with stack.client("technician") as client:
        await client.command("take", beat=False)
        yield client, Technician(stack, client, quiet)
