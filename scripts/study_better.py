"""One input of a stratum's bench known better than it ships: what its files state, and what its world is drawn by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

from study_records import GLASS, LENS

Path = tuple[str | int, ...]

IN_WORLD: Mapping[str, Sequence[Path]] = {
    "conjugate m": (("room", "tape_ratio_u"), ("target", "side_mm")),
    "conjugate gap": (("lenses", LENS, "principal_gap_mm"),),
    "conjugate focal length": (("lenses", LENS, "focal_length_mm"),),
    "conjugate distance": (("room", "distance_mm"),),
    "conjugate collimator": (("room", "vergence_per_m"),),
    "joints": (("joint", "u"),),
    "glass thickness": (("glasses", GLASS, "layers", 0, "thickness_mm"),),
    "glass index": (("glasses", GLASS, "layers", 0, "index"),),
    "target_cover thickness": (("target", "cover", 0, "thickness_mm"),),
    "thermal temperature": (("room", "temperature_C"),),
    "pickup": (("pickup_um",),),
}
"""By the first word of a budget's line and its part, as advice is: where the world's record has its uncertainty."""

IN_FILES: Mapping[str, Sequence[Path]] = {
    "conjugate m": (("file", "target", "u_pitch_mm"),),  # the tape's own share is stated with m
    "conjugate gap": (("records", "lenses", LENS, "principal_gap_mm", "u"),),
    "conjugate focal length": (("records", "lenses", LENS, "focal_length_mm", "u"),),
    "conjugate distance": (("file", "set_up", "u_distance_mm"),),
    "conjugate collimator": (("file", "arrangement", "u_vergence_per_m"),),
    "joints": (("file", "joint", "u_um"),),
    "glass thickness": (("records", "glasses", GLASS, "layers", 0, "u_mm"),),
    "glass index": (("records", "glasses", GLASS, "layers", 0, "u_index"),),
    "target_cover thickness": (("file", "target", "cover", 0, "u_mm"),),
    "thermal temperature": (("file", "set_up", "u_temperature_K"),),
    "pickup": (("file", "arrangement", "pickup", "u_um"),),
}
"""The same of bench file and records."""

T = TypeVar("T")


def bettered(whole: T, places: Mapping[str, Sequence[Path]], better: tuple[str, float] | None) -> T:
    """A world's record, or a bench's files, with so much of one input's uncertainty left; as it is for None."""
    if better is None:
        return whole
    name, share = better
    for path in places[name]:
        whole = _at(whole, path, share)
    return whole


def _at(part: Any, path: Path, share: float) -> Any:
    if not path:
        return share * part if isinstance(part, float) else part.model_copy(update={"u": share * part.u})
    key, rest = path[0], path[1:]
    if isinstance(part, Mapping):
        return {**part, key: _at(part[key], rest, share)}
    if isinstance(key, int):
        return type(part)(_at(one, rest, share) if at == key else one for at, one in enumerate(part))
    changed = {key: _at(getattr(part, key), rest, share)}
    return part.model_copy(update=changed) if hasattr(part, "model_copy") else replace(part, **changed)
