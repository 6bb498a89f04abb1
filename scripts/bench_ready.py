"""A simulated bench brought to where a lens can be swept: homed, set up, lit, at nominal; and a bare fetch of it."""

from __future__ import annotations

import http.client
import time
from urllib.parse import urlsplit

from benchd.client.bench_client import BenchClient
from technician import Bench

LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]


async def make_ready(stack: Bench, client: BenchClient) -> None:
    """Home, set up, light, drive to nominal."""
    stack.hand("set", "ring", "infinity")
    await client.command("take", beat=False)
    await client.do("home", within_s=60.0)
    tape = stack.hand("measure", "tape")
    settings = {"lens": LENS, "adapters": ADAPTERS, "glass": GLASS, "ring": "infinity", "light_nm": 546.0}
    await client.command("setup", set={**settings, "distance_mm": tape["distance_mm"], "m": tape["m"]})
    await client.command("light", level=1.0)
    await client.do("nominal", within_s=60.0)


class BareCamera:
    """GETs of the camera over one kept connection, with nothing between it and the socket."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=10.0)
        self._connection.connect()

    def fetch_s(self, path: str) -> float:
        """Seconds for one whole answer."""
        began = time.perf_counter()
        self._connection.request("GET", path)
        self._connection.getresponse().read()
        return time.perf_counter() - began

    def fetches_s(self, path: str, count: int, pause_s: float = 0.0) -> list[float]:
        """The time of each, with a pause before it: one at rest answers later than one in haste."""
        taken = []
        for _ in range(count):
            time.sleep(pause_s)
            taken.append(self.fetch_s(path))
        return taken

    def close(self) -> None:
        """Hang up."""
        self._connection.close()
