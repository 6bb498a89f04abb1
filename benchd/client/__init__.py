"""The bench for Python programs: the MQTT contract as calls. `async with BenchClient("127.0.0.1") as bench: ...`"""

from benchd.client.bench_client import BenchClient
from benchd.client.outcome import BrokenOff
from benchd.client.watch import Watch

__all__ = ["BenchClient", "BrokenOff", "Watch"]
