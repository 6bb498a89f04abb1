"""What a file may say although nothing goes by it yet, told by line wherever it is read: nobody is to count on it.

Whoever makes one of them work takes its line out here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from benchd.files.problems import Problem
from benchd.files.source import Source

FileKind = Literal["bench", "adapter", "glass", "reference", "lens"]


@dataclass(frozen=True, slots=True)
class Unheeded:
    """A key by its path, and why it is without effect; with `values` only those of its values are."""

    kind: FileKind
    path: tuple[str, ...]
    why: str
    values: tuple[Any, ...] | None = None


_A_LENGTH = "kept, but the length alone counts yet"
_A_ZOOM = "a zoom is checked as a prime of its focal_length_mm: that says nothing of tracking"
_A_RING = "nothing measures with it yet; bench_zero takes a setting_ring"

UNHEEDED: Sequence[Unheeded] = (
    Unheeded("bench", ("formats",), "no finding goes by a frame size yet"),
    Unheeded("bench", ("motion", "steps_um"), "no command moves by these steps yet; `move` takes by_um"),
    Unheeded("bench", ("motion", "jog_um_s"), "no command moves at these speeds yet"),
    Unheeded("adapter", ("turns",), "no procedure turns a lens yet", (True,)),
    Unheeded("reference", ("given", "points_um"), _A_LENGTH),
    Unheeded("reference", ("kind",), _A_RING, ("flat", "check_lens")),
    Unheeded("lens", ("kind",), _A_ZOOM, ("zoom",)),
)


def unheeded(kind: FileKind, source: Source) -> list[Problem]:
    """What this file states without effect, each at its line."""
    return [
        source.problem(one.path, f"without effect: {one.why}")
        for one in UNHEEDED
        if one.kind == kind and _stands(source.data, one)
    ]


def _stands(data: Mapping[str, Any], one: Unheeded) -> bool:
    here: Any = data
    for part in one.path:
        if not isinstance(here, dict) or part not in here:
            return False
        here = here[part]
    return one.values is None or here in one.values
