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
    assert told.key == "devices.lamp.link"
    assert "modbus_rtu or modbus_tcp" in told.allowed
    with pytest.raises(FileProblems) as caught:
        build(load_bench(changed(tmp_path, "parity: none, timeout_s: 0.2", "parity: some, timeout: 0.2")))
    assert {one.key for one in caught.value.problems} == {"links.drive_line.parity", "links.drive_line.timeout"}


RING = """\
  focus_motor:
    driver: modbus_rotary
    deg_per_count: 0.005
    speed_deg_s_per_count: 0.005
    travel_deg: [0, 290]
    top_speed_deg_s: 60
    acceleration_deg_s2: 400
    home_search_deg: 330
    link: drive_line
    unit_id: UNIT
"""
ALSO_OF_THE_STAGE = (
    "status",
    "position",
    "target",
    "speed",
    "moving",
    "homed",
    "fault",
    "limit",
    "move",
    "stop",
    "home",
)
LAMP = "  lamp:\n    driver: modbus_light\n"


def with_ring(folder: Path, unit_id: int, more: str = "") -> Path:
    stage = BENCH.read_text(encoding="utf-8").partition("  stage:\n")[2].partition("  # focus_motor")[0]
    registers = [line for line in stage.splitlines() if line.strip().partition(":")[0] in ALSO_OF_THE_STAGE]
    ring = RING.replace("UNIT", str(unit_id)) + more + "\n".join(registers) + "\n"
    return changed(folder, LAMP, ring + LAMP)


def test_two_axes_on_one_drive_are_refused(tmp_path: Path) -> None:
    """The ring's homing would home the carriage, without its clearance. Light and readout may be in the same drive."""
    build(load_bench(with_ring(tmp_path, 18)))
    with pytest.raises(FileProblems) as caught:
        build(load_bench(with_ring(tmp_path, 17)))
    (told,) = caught.value.problems
    assert told.key == "devices.focus_motor.unit_id"
    assert "17 is that of stage" in told.allowed
    assert "set at the drive of focus_motor" in told.allowed


SPEAKS_LINES = {
    "gcode_light": "safe_level: 0",
    "line": "ask: 'T?'\n    pattern: '^T=(.+)$'\n    quantity: temperature\n    unit: degC",
    "line_light": "set: 'L {:.0f}'\n    ask: 'L?'\n    pattern: '^L=(.+)$'\n    steps: 255",
    "scpi_meter": "identity: '^HOUSE'\n    function: VOLTage:DC\n    quantity: light\n    unit: V",
}
"""Drivers that say lines of text, and the least keys of each."""


@pytest.mark.parametrize("driver", SPEAKS_LINES)
@pytest.mark.parametrize("link", ["drive_line", "light_line", "null"])
def test_who_says_lines_of_text_is_not_on_a_line_of_another_kind(tmp_path: Path, driver: str, link: str) -> None:
    """Modbus and DMX links were taken, and failed at the first question."""
    other = f"  spare:\n    driver: {driver}\n    link: LINK\n    {SPEAKS_LINES[driver]}\n"
    lines = "links:\n  light_line: {kind: dmx, port: run/dmx}\n"
    text = changed(tmp_path, LAMP, other + LAMP).read_text(encoding="utf-8").replace("\nlinks:\n", f"\n{lines}")
    path = tmp_path / "bench.yaml"
    path.write_text(text.replace("link: LINK", "link: dial_line"), encoding="utf-8")
    build(load_bench(path))
    path.write_text(text.replace("link: LINK", f"link: {link}"), encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    (told,) = caught.value.problems
    assert told.key == "devices.spare.link"
    assert told.allowed.startswith("spare needs a link that carries lines of text, of kind serial or tcp")


DRIVE_LINE = "  drive_line: {kind: modbus_rtu, port: run/drive, baud: 19200, parity: none, timeout_s: 0.2}\n"
GATEWAY = "{kind: modbus_tcp, url: 'socket://drives.example:502'}"


@pytest.mark.parametrize(
    ("first", "second", "key"),
    [
        (GATEWAY, "{kind: modbus_tcp, url: 'socket://Drives.example:502/'}", "url"),
        (GATEWAY, "{kind: modbus_rtu, url: 'socket://drives.example:502'}", "url"),
        ("{kind: modbus_rtu, port: run/drive}", "{kind: modbus_rtu, port: ./run/../run/drive}", "port"),
        ("{kind: modbus_rtu, port: run/drive}", "{kind: serial, port: run/other-name}", "port"),
    ],
)
def test_two_links_to_one_line_are_refused(tmp_path: Path, first: str, second: str, key: str) -> None:
    """Two masters on one line speak into each other's answers, and a motor may take a word that was for another."""
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "drive").touch()
    (tmp_path / "run" / "other-name").symlink_to("drive")
    path = changed(tmp_path, DRIVE_LINE, f"  drive_line: {first}\n  again: {second}\n")
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    (told,) = caught.value.problems
    assert told.key == f"links.again.{key}"
    assert f"links.drive_line.{'port' if 'port' in first else 'url'}" in told.allowed


def test_two_gateways_of_one_host_and_two_adapters_are_two_lines(tmp_path: Path) -> None:
    more = "{kind: modbus_tcp, url: 'socket://drives.example:503'}"
    found = "{kind: modbus_rtu, match: {by_id: MATCHED}}"
    links = {
        "drive_line": GATEWAY,
        "b": more,
        "c": found.replace("MATCHED", "one"),
        "d": found.replace("MATCHED", "two"),
    }
    build(load_bench(changed(tmp_path, DRIVE_LINE, "".join(f"  {name}: {one}\n" for name, one in links.items()))))


@pytest.mark.parametrize(
    ("old", "new", "key", "least"),
    [
        ("    um_per_count: 0.5 ", "    resolution_um: 0.1\n    um_per_count: 0.5 ", "stage.resolution_um", "0.5 um"),
        ("", "    resolution_deg: 0.001\n", "focus_motor.resolution_deg", "0.005 deg"),
    ],
)
def test_a_resolution_below_a_count_is_refused(tmp_path: Path, old: str, new: str, key: str, least: str) -> None:
    """A turn is held to twice the resolution, while its target is rounded to a count: one in five would fail here."""
    path = changed(tmp_path, old, new) if old else with_ring(tmp_path, 18, new)
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    (told,) = caught.value.problems
    lines = path.read_text(encoding="utf-8").splitlines()
    assert (told.key, lines[told.line - 1].strip()) == (f"devices.{key}", new.splitlines()[0].strip())
    assert f"at least {least}, one count" in told.allowed


def test_a_resolution_of_a_count_or_more_is_taken(tmp_path: Path) -> None:
    for figure in ("0.005", "0.02"):
        built = build(load_bench(with_ring(tmp_path, 18, f"    resolution_deg: {figure}\n")))
        ring = built.devices["focus_motor"]
        assert isinstance(ring, Axis)
        assert ring.spec.resolution == float(figure)


def test_the_client_library_is_loaded_only_where_a_bench_names_it() -> None:
    look = "import sys; from benchd.bench.assembly import build; from benchd.files.loading import load_bench; " \
        "from pathlib import Path; build(load_bench(Path(sys.argv[1]))); print('pymodbus' in sys.modules)"  # fmt: skip
    bench = BENCH.parents[1] / "workshop" / "bench.yaml"
    done = subprocess.run([sys.executable, "-c", look, str(bench)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
