"""A folder that is kept and used again: what the pace decides comes from the files that ship, each time anew."""

from __future__ import annotations

from pathlib import Path

import pytest
from ruamel.yaml import YAML

from stack import CONFIGS, Stack


def figures(bench_file: Path) -> tuple[float, float, float]:
    """Settling, top speed and acceleration as they stand in a bench file."""
    doc = YAML(typ="safe").load(bench_file.read_text(encoding="utf-8"))
    stage = doc["devices"]["stage"]
    return doc["motion"]["settle_ms"], stage["top_speed_um_s"], stage["acceleration_um_s2"]


@pytest.mark.stack
@pytest.mark.parametrize("paces", [(2.0, 2.0), (4.0, 2.0), (2.0, 1.0)])
async def test_a_folder_used_again_is_paced_as_one_used_once(tmp_path: Path, paces: tuple[float, float]) -> None:
    settle_ms, top_speed, acceleration = figures(CONFIGS / "workshop" / "bench.yaml")
    for pace in paces:
        stack = Stack(pace=pace, folder=tmp_path)
        try:
            await stack.start_hardware()
        finally:
            await stack.stop()
        assert figures(stack.bench_file) == (settle_ms / pace, top_speed * pace, acceleration * pace**2)
