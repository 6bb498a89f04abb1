"""A laser is refused unless it is the pointer, of a class that eyes stand, and dark where nobody holds it on."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.bench.assembly import build
from benchd.bench.laser.pointer import Pointer
from benchd.bench.laser.unlit_camera import UnlitCamera
from benchd.devices import Camera, Light
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems

CONFIGS = Path(__file__).parents[2] / "configs"
LAMP = "    pwm_hz: 1000 "
ROLES = "roles: {carriage: stage, position: scale, target_light: lamp, "
POINTER = ROLES.replace("target_light", "pointer")


def bench_with(folder: Path, laser_class: str, roles: str = POINTER, safe_level: float = 0) -> tuple[Path, int]:
    """The shipped bench with its lamp called a laser, and the line that says so."""
    shutil.copytree(CONFIGS, folder / "configs")
    file = folder / "configs" / "workshop" / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    assert text.count(LAMP) == text.count(ROLES) == 1
    text = text.replace(ROLES, roles).replace("    safe_level: 0 ", f"    safe_level: {safe_level} ")
    stated = f'    laser_class: "{laser_class}"\n' if laser_class else ""
    file.write_text(text.replace(LAMP, f"{stated}{LAMP}"), encoding="utf-8")
    return file, text[: text.index(LAMP)].count("\n") + 1


def refused(file: Path) -> list[tuple[int, str, str]]:
    with pytest.raises(FileProblems) as why:
        build(load_bench(file))
    return [(problem.line, problem.key, problem.allowed) for problem in why.value.problems]


@pytest.mark.parametrize("laser_class", ["1", "2"])
def test_the_pointer_is_one_that_has_to_be_held_and_cameras_wait_for_it(tmp_path: Path, laser_class: str) -> None:
    built = build(load_bench(bench_with(tmp_path, laser_class)[0]))
    assert isinstance(built.named("pointer", Light), Pointer)
    assert built.named("lamp", Light) is built.named("pointer", Light)
    assert all(isinstance(device, UnlitCamera) for device in built.devices.values() if isinstance(device, Camera))


@pytest.mark.parametrize(
    ("laser_class", "why"),
    [
        ("1M", "a lens or a magnifier in the beam"),
        ("2M", "a lens or a magnifier in the beam"),
        ("3R", "protective measures that no software gives"),
        ("3B", "protective measures that no software gives"),
        ("4", "protective measures that no software gives"),
    ],
)
def test_other_classes_are_refused_with_the_reason(tmp_path: Path, laser_class: str, why: str) -> None:
    file, line = bench_with(tmp_path, laser_class)
    ((at, key, allowed),) = refused(file)
    assert (at, key) == (line, "devices.lamp.laser_class")
    assert why in allowed


@pytest.mark.parametrize("roles", [ROLES, ROLES.replace("target_light: lamp, ", "")])
def test_a_laser_is_the_pointer_and_nothing_else(tmp_path: Path, roles: str) -> None:
    file, line = bench_with(tmp_path, "2", roles)
    ((at, key, allowed),) = refused(file)
    assert (at, key) == (line, "devices.lamp.laser_class")
    assert "the role `pointer`, and no other" in allowed


def test_the_pointer_states_its_class_and_falls_back_to_dark(tmp_path: Path) -> None:
    file, _ = bench_with(tmp_path / "a", "")
    ((_, key, allowed),) = refused(file)
    assert key == "devices.lamp.laser_class"
    assert "1 or 2" in allowed
    file, _ = bench_with(tmp_path / "b", "2", safe_level=0.1)
    ((_, key, allowed),) = refused(file)
    assert key == "devices.lamp.safe_level"
    assert allowed.startswith("0:")


@pytest.mark.parametrize("command", ["check", "up"])
def test_neither_check_nor_up_passes_it_over(tmp_path: Path, command: str) -> None:
    file, line = bench_with(tmp_path, "3B")
    words = [str(Path(sys.executable).with_name("benchd")), command, str(file)]
    told = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False)
    assert told.returncode == 1
    assert f"bench.yaml:{line}:" in told.stdout + told.stderr
    assert "protective measures" in " ".join((told.stdout + told.stderr).split())
