"""The shipped Modbus bench is built as it stands, and what is wrong in one is told at its line."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from benchd.bench.assembly import build
from benchd.devices import Axis, Light
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems

BENCH = Path(__file__).parents[2] / "configs" / "workshop-modbus" / "bench.yaml"


def changed(folder: Path, old: str, new: str) -> Path:
    text = BENCH.read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    text = text.replace("records: ../workshop ", f"records: {BENCH.parents[1] / 'workshop'} ")
    path = folder / "bench.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_it_is_built() -> None:
    built = build(load_bench(BENCH))
    axis, light = built.named("carriage", Axis), built.named("target_light", Light)
    assert (axis.spec.low, axis.spec.high, axis.spec.resolution) == (0, 30_000, 0.5)
    assert light.spec.steps == 1000


@pytest.mark.parametrize(
    ("old", "new", "key", "why"),
    [
        ("type: float32, words: low_first", "type: float32", "readout.value", "which of the two words"),
        ("moving: {bit: 0} ", "moving: {bit: 16} ", "stage.moving", "bit 16 is not in a uint16"),
        ("stop: {address: 3, value: 2}", "stop: {address: 3, value: 3}", "stage.stop", "the same as home"),
        ("stop: {address: 3, value: 2}", "halt: {address: 3, value: 2}", "stage.halt", "acceleration_um_s2"),
        ("full: 1000 ", "full: 70000 ", "lamp.full", "does not go into uint16"),
        ("value: {address: 4, table: input", "value: {address: 4, table: coil", "readout.value.table", "holding"),
        ("home_search_um: 32000", "home_search_um: 3200", "stage.home_search_um", "length of travel_um"),
    ],
)
def test_what_is_wrong_is_told_at_its_line(tmp_path: Path, old: str, new: str, key: str, why: str) -> None:
    path = changed(tmp_path, old, new)
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    (line,) = (number for number, text in enumerate(path.read_text().splitlines(), 1) if new.splitlines()[-1] in text)
    told = [one for one in caught.value.problems if one.key == f"devices.{key}" and why in one.allowed]
    assert [one.line for one in told] == [line], [str(one) for one in caught.value.problems]


def test_a_device_on_another_kind_of_link_and_a_wrong_key_of_the_link(tmp_path: Path) -> None:
    lamp = "    driver: modbus_light\n    link: d"
    with pytest.raises(FileProblems) as caught:
        build(load_bench(changed(tmp_path, f"{lamp}rive_line", f"{lamp}ial_line")))
    (told,) = caught.value.problems
    assert told.key == "devices.lamp"
    assert "modbus_rtu or modbus_tcp" in told.allowed
    with pytest.raises(FileProblems) as caught:
        build(load_bench(changed(tmp_path, "parity: none, timeout_s: 0.2", "parity: some, timeout: 0.2")))
    assert {one.key for one in caught.value.problems} == {"links.drive_line.parity", "links.drive_line.timeout"}


def test_the_client_library_is_loaded_only_where_a_bench_names_it() -> None:
    look = "import sys; from benchd.bench.assembly import build; from benchd.files.loading import load_bench; " \
        "from pathlib import Path; build(load_bench(Path(sys.argv[1]))); print('pymodbus' in sys.modules)"  # fmt: skip
    bench = BENCH.parents[1] / "workshop" / "bench.yaml"
    done = subprocess.run([sys.executable, "-c", look, str(bench)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
