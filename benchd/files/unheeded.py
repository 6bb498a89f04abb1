"""Keys that a file may state although they have no effect yet; each is reported at its line when the file is read.

A change that makes one of them effective removes its line here.
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
    """A key by its path, and why it has no effect; with `values`, only these values have none."""

    kind: FileKind
    path: tuple[str, ...]
    why: str
    values: tuple[Any, ...] | None = None


_A_LENGTH = "kept, but the length alone counts yet"
_A_ZOOM = "a zoom is checked as a prime of its focal_length_mm: that says nothing of tracking"
_A_CHECK_LENS = "nothing measures with it yet; bench_zero takes a setting_ring, collimator_zero a flat"

UNHEEDED: Sequence[Unheeded] = (
    Unheeded("bench", ("formats",), "no finding goes by a frame size yet"),
    Unheeded("bench", ("motion", "steps_um"), "no command moves by these steps yet; `move` takes by_um"),
    Unheeded("adapter", ("turns",), "no procedure turns a lens yet", (True,)),
    Unheeded("reference", ("given", "points_um"), _A_LENGTH),
    Unheeded("reference", ("kind",), _A_CHECK_LENS, ("check_lens",)),
    Unheeded("lens", ("kind",), _A_ZOOM, ("zoom",)),
)


def unheeded(kind: FileKind, source: Source) -> list[Problem]:
    """The keys of this file without effect, each at its line."""
    return [
        source.problem(key.path, f"without effect: {key.why}")
        for key in UNHEEDED
        if key.kind == kind and _is_stated(source.data, key)
    ]


def _is_stated(data: Mapping[str, Any], key: Unheeded) -> bool:
    here: Any = data
    for part in key.path:
        if not isinstance(here, dict) or part not in here:
            return False
        here = here[part]
    return key.values is None or here in key.values
