"""From a bench file to the devices of a bench: checked, with problems at their lines, built, opened and closed."""

from benchd.bench.assembly.assembly import Assembly
from benchd.bench.assembly.building import build
from benchd.bench.assembly.lasers import POINTER
from benchd.bench.assembly.opening import close_all, open_all
from benchd.bench.assembly.roles import ROTARY, switch_notes

__all__ = ["POINTER", "ROTARY", "Assembly", "build", "close_all", "open_all", "switch_notes"]
