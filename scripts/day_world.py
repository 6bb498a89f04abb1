"""The lenses of a day: a world with more of them than ships, and the records that a person would have written."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import numpy as np
from ruamel.yaml import YAML

from stack import CONFIGS

CONFIG, LIKE = "workshop", "L-0417"
MENDED_UM = 50.0
"""About how far out of nominal the lens is that is mended, after those of the day, which are even in +-22 um."""


GAP_MM, SPECIMENS_MM = 10.0, 0.3
"""What the records state of the gap between the principal planes, 0 with this u; and how specimens differ in it."""


def write_day(folder: Path, count: int, seed: int) -> tuple[Path, list[str]]:
    """Lay out the files; gives the world's file, and the lenses, the one to be mended last.

    All are of one model, whose gap is drawn as its record states it.
    """
    yaml = YAML()
    shutil.copytree(CONFIGS / CONFIG, folder / CONFIG)
    lenses = folder / CONFIG / "lenses"
    names = [f"L-{600 + number:04}" for number in range(1, count + 2)]
    like = (lenses / f"{LIKE}.yaml").read_text(encoding="utf-8")
    for number, name in enumerate(names):
        (lenses / f"{name}.yaml").write_text(_specimen(like, name, number), encoding="utf-8")
    world = files("benchd_simulators") / "worlds" / f"{CONFIG}.yaml"
    doc = yaml.load(world.read_text(encoding="utf-8"))
    record = doc["lenses"][LIKE]
    drawn = float(np.random.default_rng([seed, count]).uniform(-1.0, 1.0)) * GAP_MM * 3.0**0.5
    gap = {"record": round(drawn, 2), "u": SPECIMENS_MM, "shape": "normal"}
    for name in names:
        doc["lenses"][name] = {**record, "principal_gap_mm": gap}
    doc["lenses"][names[-1]]["flange_error_um"] = {"record": MENDED_UM, "u": 3.0, "shape": "rectangular"}
    path = folder / "day.yaml"
    with path.open("w", encoding="utf-8") as out:
        yaml.dump(doc, out)
    return path, names


def _specimen(like: str, name: str, number: int) -> str:
    changed: Sequence[tuple[str, str]] = ((f"lens: {LIKE}", f"lens: {name}"), ('"2231"', f'"{7100 + number}"'))
    for old, new in changed:
        if old not in like:
            raise ValueError(f"{LIKE}.yaml has no {old}")
        like = like.replace(old, new)
    return like
