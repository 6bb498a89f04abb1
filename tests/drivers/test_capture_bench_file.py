"""The bench file with cameras by other ways: what ships is built and opens, and a file is no camera for a role."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from benchd.bench.assembly import build, close_all, open_all
from benchd.devices import Camera, registry
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from benchd.imaging.picture import read_picture
from tests.drivers.conftest import SimulatedBench

CONFIGS = Path(__file__).parents[2] / "configs"
SHIPPED = (CONFIGS / "workshop-pictures" / "bench.yaml").read_text(encoding="utf-8")


def bench_file(folder: Path, text: str) -> Path:
    path = folder / "bench.yaml"
    path.write_text(text.replace("records: ../workshop", f"records: {CONFIGS / 'workshop'}"), encoding="utf-8")
    return path


@pytest.mark.stack
async def test_what_ships_opens_and_sees(tmp_path: Path, bench: SimulatedBench) -> None:
    text = SHIPPED.replace("run/", f"{bench.folder}/").replace("http://127.0.0.1:8780", bench.camera)
    assembly = build(load_bench(bench_file(tmp_path, text)))
    identities = await open_all(assembly)
    try:
        assert identities["view"].model == "MJPG 640 x 480"
        camera = assembly.named("detector", Camera)
        frame = await camera.grab()
        assert frame.exposure is not None
        assert frame.exposure.exposure_ms == 40
        assert read_picture(frame.data).values.shape == (480, 640)
    finally:
        await close_all(assembly)


def test_what_the_page_of_drivers_shows_is_taken() -> None:
    page = (CONFIGS.parent / "drivers" / "README.md").read_text(encoding="utf-8")
    blocks = [YAML(typ="safe").load(block) for block in re.findall(r"```yaml\n(devices:.*?)```", page, re.DOTALL)]
    shown = [device for block in blocks for device in block["devices"].values()]
    cameras = [device for device in shown if device["driver"] in ("capture_camera", "folder_camera")]
    assert len(cameras) == 3
    for device in cameras:
        config = registry.driver(device.pop("driver")).Config
        config.model_validate(device)


def test_a_file_is_no_camera_of_this_bench(tmp_path: Path) -> None:
    text = SHIPPED.replace('url: "http://127.0.0.1:8780/stream.mjpg"', 'file: "run/seen.avi"')
    for key in ("lag_ms", "locked_by_hand", "exposure_ms"):
        text = "\n".join(line for line in text.split("\n") if not line.strip().startswith(f"{key}:"))
    with pytest.raises(FileProblems) as caught:
        build(load_bench(bench_file(tmp_path, text)))
    (problem,) = caught.value.problems
    assert problem.key == "roles.detector"
    assert "from a file" in problem.allowed
