"""What other people's clients need of whoever starts them."""

from __future__ import annotations

import asyncio

ENDS_WITHIN_S = 5.0


async def end(process: asyncio.subprocess.Process) -> None:
    """End a client that listens; killed where it does not go.

    mosquitto_sub 2.0.11 says goodbye to the broker in its signal handler, and sometimes never comes out of it: tried in
    a flood of messages, 10 of 316 went on for ever.
    """
    if process.returncode is None:
        process.terminate()
    try:
        async with asyncio.timeout(ENDS_WITHIN_S):
            await process.wait()
    except TimeoutError:
        process.kill()
        await process.wait()
