"""The hidden truth of a simulated bench: mechanics, gauges, light, lens, plate and camera, seeded.

`World` is what the firmware serves byte by byte; the optics (`lens`, `plate`, `transfer`, `picture`) are pure functions
that a study can call below the bytes. Nothing here knows benchd.
"""

from benchd_simulators.world.errors import HandRefused, WorldFileError
from benchd_simulators.world.reading import read_world, shipped
from benchd_simulators.world.world import World, load_world

__all__ = ["HandRefused", "World", "WorldFileError", "load_world", "read_world", "shipped"]
