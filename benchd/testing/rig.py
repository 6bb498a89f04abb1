"""What the conformance kit needs of a driver's author: the device, ready, and hands to misuse its link with."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass

from benchd.devices import Axis, Device, Link


class Hands:
    """What can be done to the hardware or its simulator from outside. Each returns once it is done.

    Give those that your hardware allows: a test that needs another one is skipped, and says which.
    """

    async def unplug(self) -> None:
        """Pull the cable."""
        raise NotImplementedError

    async def plug(self) -> None:
        """Put it back."""
        raise NotImplementedError

    async def silence(self, seconds: float) -> None:
        """Let the device say nothing for a while; it goes on obeying."""
        raise NotImplementedError

    async def garbage(self, seconds: float) -> None:
        """Let noise come from the device for a while."""
        raise NotImplementedError

    def missing(self, *needed: str) -> list[str]:
        """Which of these the author has not given."""
        return [name for name in needed if getattr(type(self), name) is getattr(Hands, name)]


async def nothing_bars() -> str:
    """There are no switches."""
    return ""


@dataclass
class Rig:
    """A device under test: `device` open, `link` open (None where it has none). `hands` None leaves faults untested.

    `pace` is how much faster than life a simulator moves. `beside` is an open axis on the same controller, for what
    its motion does to the device under test; None leaves that untested. `reach` is where an axis may be sent after
    homing, in its unit; None for the whole of its travel. `bars` is asked before each motion, or level of a light above
    the safe one, why it may not begin, and gives a clause, or nothing.
    """

    device: Device
    link: Link | None = None
    hands: Hands | None = None
    pace: float = 1.0
    patience_s: float = 10.0
    beside: Axis | None = None
    reach: tuple[float, float] | None = None
    bars: Callable[[], Awaitable[str]] = nothing_bars

    async def reopen(self) -> None:
        """As the daemon does it after a loss: the link anew, then the device, again and again for a while."""
        deadline = time.monotonic() + self.patience_s
        while True:
            try:
                if self.link is not None:
                    await self.link.close()
                    await self.link.open()
                await self.device.open()
                return
            except Exception:
                if time.monotonic() > deadline:
                    raise
                await asyncio.sleep(0.1)
