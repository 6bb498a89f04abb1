"""Values as they stand in YAML, a line each, with a word beside what nobody has stated."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

NO_NAMES = ("true", "false", "null", "inf", "nan")
PLAIN = (
    *"XYZABCUVW", "deeper", "shallower", "from_below", "from_above", "position", "gauge", "upright", "holds", "input",
    "holding", "high_first", "low_first", "int16", "uint16", "int32", "uint32", "float32", "temperature", "distance",
    "tilt", "light", "exposure", "degC", "mm", "arcmin", "V",
)  # fmt: skip
GUESSES: Mapping[str, str] = {
    "joint_u_um": "a guess on the safe side; `benchd run joint_study` measures it",
    "scale_u": "a guess on the safe side; its data sheet or certificate tells",
    "scale_subdivision_um": "a guess on the safe side; its data sheet tells",
    "indicator_hysteresis_um": "a guess on the safe side; its data sheet tells",
    "indicator_u_gain": "a guess on the safe side; its data sheet or certificate tells",
    "camera_u_pixel_um": "a guess on the safe side; its data sheet tells",
    "camera_lag_ms": "a guess: measure it; from the end of an exposure to its picture being here, at the most",
    "camera_lag_s": "a guess: measure it; from the press of the shutter until the file begins to appear, at the most",
    "thermometer_u_K": "a guess on the safe side; its data sheet tells",
    "rangefinder_u_mm": "a guess on the safe side; its data sheet tells",
    "u_target_mm": "a guess; calipers read 0.02 mm, a measuring microscope 0.001 mm",
}
"""Defaults that nobody has stated: the file says so beside them."""


def text(value: Any) -> str:
    """A value as it stands in YAML: texts quoted, numbers as they were meant."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return value if value in PLAIN else json.dumps(value, ensure_ascii=False)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {text(one)}" for key, one in value.items()) + "}"
    if isinstance(value, tuple):
        return "[" + ", ".join(text(one) for one in value) + "]"
    if isinstance(value, float):
        plain = f"{value:.12g}"
        return plain.replace("e", ".0e") if "e" in plain and "." not in plain else plain
    return str(value)


def word(name: str) -> str:
    """A name as it stands in YAML: quoted where it would be read as a number, or as true, false or null."""
    plain = re.fullmatch(r"[A-Za-z][A-Za-z0-9_/+-]*", name) and name.lower() not in NO_NAMES
    return name if plain else json.dumps(name)


def lines(indent: int, pairs: Sequence[tuple[str, Any, str]]) -> str:
    """`key: value   # why`, a line each; those without a value are left out."""
    found = []
    for key, value, why in pairs:
        if value is not None:
            line = f"{' ' * indent}{key}: {text(value)}"
            found.append(f"{line:<46}# {why}" if why else line)
    return "\n".join(found) + "\n"


def guess(key: str, guessed: Sequence[str]) -> str:
    """The word beside a default that was taken."""
    return GUESSES[key] if key in guessed else ""
