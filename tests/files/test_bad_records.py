"""A wrong bench file, adapter, glass, reference or lens: file, line, key, what stands, what may; all at once."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from pydantic import BaseModel, ConfigDict

from benchd.errors import Refused
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.problems import FileProblems
from benchd.files.records_folder import Records

WORKSHOP = Path(__file__).parents[2] / "configs" / "workshop"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "bench"
    shutil.copytree(WORKSHOP, copy)
    return copy


def spoil(path: Path, before: str, after: str) -> None:
    text = path.read_text()
    assert text.count(before) == 1, (path, before)
    path.write_text(text.replace(before, after))


def said(folder: Path) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        load_bench(folder / "bench.yaml")
    return [str(problem).replace(f"{folder}/", "") for problem in caught.value.problems]


def line_of(path: Path, text: str) -> int:
    return next(number for number, line in enumerate(path.read_text().splitlines(), 1) if text in line)


@pytest.mark.parametrize(
    ("before", "after", "key", "rest"),
    [
        ("settle_ms: 150", "settle_ms: soon", "motion.settle_ms", " = 'soon': a number"),
        ("settle_ms: 150", "settle_ms: 150 ms", "motion.settle_ms", " = '150 ms': a number alone, in ms"),
        ("clearance_um: 2000", "clearance_um: 2 mm", "motion.clearance_um", " = '2 mm': a number alone, in µm"),
        ("settle_ms: 150", 'settle_ms: "150"', "motion.settle_ms", " = '150': a number"),
        ("settle_ms: 150", "settle_ms: -1", "motion.settle_ms", " = -1: a number, at least 0"),
        ("settle_ms: 150", "settle_ms: true", "motion.settle_ms", " = true: a number"),
        ("settle_ms: 150", "settel_ms: 150", "motion.settel_ms", " = 150: unknown key; did you mean 'settle_ms'?"),
        ("arrangement: wall ", "arrangement: 5 ", "arrangement", " = 5: "),
        ("arrangement: wall ", "arrangement: {king: wall} ", "arrangement.kind", ": "),
        ("time_zone: Europe/Paris ", "collimator: {} ", "collimator", " = {}: unknown key"),
        ("time_zone: Europe/Paris", "time_zone: Europe/Pariss", "time_zone", " = 'Europe/Pariss': a time zone such as"),
        ("bench: north-rail ", "bench: North Rail ", "bench", " = 'North Rail': a name: 1 to 32 of a-z"),
        (
            "link: counter_line",
            "link: counter_lin",
            "devices.scale.link",
            " = 'counter_lin': a link of this file; did you mean 'counter_line'?",
        ),
        (
            "detector: view,",
            "detector: vieuw,",
            "roles.detector",
            " = 'vieuw': a device of this file; did you mean 'view'?",
        ),
        ("detector: view,", "detectr: view,", "roles.detectr", " = 'detectr': one of 'carriage', 'position'"),
        ("position: scale,", "position: stage,", "roles.position", " = 'stage': a device without a role yet"),
        ("clearance_um: 2000 ", "clearance_um: [2000] ", "motion.clearance_um", " = [2000]: a number"),
        ("alpha_per_K: 11.5e-6", "alpha_per_K: 11.5", "base.alpha_per_K", " = 11.5: a number, at most 0.0002"),
        ("u_um: 100,", "u_um: 0,", "base.given.u_um", " = 0: a number, more than 0"),
        (
            "broker: embedded",
            "broker: broker.lan",
            "mqtt.broker",
            " = 'broker.lan': 'embedded', or the URL of a broker, such as mqtts://",
        ),
        ("cover: [],", "pattern: cross, cover: [],", "target.pattern", " = 'cross': unknown key; known here: id"),
        ("shims_um: [10, 20,", "shims_um: [10, x,", "shims_um[1]", " = 'x': a number"),
    ],
)
def test_bench_file(folder: Path, before: str, after: str, key: str, rest: str) -> None:
    spoil(folder / "bench.yaml", before, after)
    (problem,) = said(folder)
    line = line_of(folder / "bench.yaml", after)
    assert problem.startswith(f"bench.yaml:{line}:")
    assert problem.split(" ", 1)[1].startswith(key + rest), problem


def test_a_missing_key_points_at_its_parent(folder: Path) -> None:
    spoil(folder / "bench.yaml", "  alpha_per_K: 11.5e-6\n", "")
    line = line_of(folder / "bench.yaml", "base:")
    assert said(folder) == [f"bench.yaml:{line}:1 base.alpha_per_K: this key is needed"]


def test_a_folder_of_records_that_is_not_there_is_no_empty_one(folder: Path) -> None:
    spoil(folder / "bench.yaml", "seat: rail ", "records: drawer\nseat: rail ")
    line = line_of(folder / "bench.yaml", "records: drawer")
    (problem,) = said(folder)
    assert problem == f"bench.yaml:{line}:10 records = 'drawer': a folder that is there, seen from {folder}"
    (folder / "drawer").mkdir()
    load_bench(folder / "bench.yaml")


def test_a_device_named_like_the_role_of_another_is_refused(folder: Path) -> None:
    text = (folder / "bench.yaml").read_text()
    (folder / "bench.yaml").write_text(text.replace("  dial:\n", "  detector:\n").replace("indicator: dial", ""))
    (problem,) = said(folder)
    assert "roles.detector = 'view': another device is named 'detector'" in problem


@pytest.mark.parametrize(
    ("file", "before", "after", "problem"),
    [
        ("adapters/ring-07.yaml", "23.0e-6", "23.0", "4:25 material.alpha_per_K = 23.0: a number, at most 0.0002"),
        (
            "adapters/ring-07.yaml",
            "seat_above: m50  ",
            "seat_abov: m50  ",
            "3:1 seat_abov = 'm50': unknown key; did you mean 'seat_above'? known here: adapter, seat_below,",
        ),
        ("adapters/ring-07.yaml", "turns: false", "turns: no", "6:8 turns = 'no': true or false"),
        (
            "glasses/pane-25.yaml",
            "index: 1.5230",
            "index: 15230",
            "4:47 layers[0].index = 15230: a number, less than 4",
        ),
        ("glasses/pane-25.yaml", "[ring-07]", "[ring-7]", "5:8 fits[0] = 'ring-7': the id of an adapter; did you mean"),
        (
            "references/collar-45.yaml",
            "setting_ring  ",
            "ring  ",
            "2:7 kind = 'ring': one of 'setting_ring', 'flat', 'check_lens'",
        ),
        (
            "references/collar-45.yaml",
            "given: {length_um: 45000.4, u_um: 0.6, at_C: 20.0, by: certificate}",
            "",
            "2:7 kind = 'setting_ring': kind setting_ring needs both 'given'",
        ),
        (
            "references/collar-45.yaml",
            "at_C: 20.0",
            "at_C: 68",
            "4:46 given.at_C = 68: a number of degrees Celsius, at most 45",
        ),
        (
            "lenses/L-0417.yaml",
            "{value: 49.6, u: 0.2}",
            "49.6",
            "6:18 focal_length_mm = 49.6: keys with their values {value: .., u: ..",
        ),
        ("lenses/L-0417.yaml", "mount: m50", "mount: m05", "4:8 mount = 'm05': a mount of bench.yaml; did you mean 'm"),
        (
            "lenses/L-0417.yaml",
            "designed_for_glass: pane-25  ",
            "designed_for_glass: pane-52  ",
            "11:21 designed_for_glass = 'pane-52': the id of a glass; did you mean 'pane-25'?",
        ),
        ("lenses/L-0417.yaml", "lens: L-0417", "lens: L/0417", "1:7 lens = 'L/0417': an id: 1 to 32 letters"),
        ("lenses/L-0418.yaml", "lens: L-0418", "lens: l-0417", "1:7 lens = 'l-0417': an id of its own; lenses/L-0417"),
        ("lenses/L-0417.yaml", "5, inf]", "5, infty]", "12:40 scale.marks[4] = 'infty': a number; or one of 'inf'"),
    ],
)
def test_record(folder: Path, file: str, before: str, after: str, problem: str) -> None:
    spoil(folder / file, before, after)
    found = said(folder)
    assert any(one.startswith(f"{file}:{problem}") for one in found), found


def test_every_problem_of_every_file_is_named_at_once(folder: Path) -> None:
    spoil(folder / "bench.yaml", "settle_ms: 150", "settle_ms: soon")
    spoil(folder / "bench.yaml", "detector: view,", "detektor: view,")
    spoil(folder / "adapters" / "gap-03.yaml", "3001.0", "long")
    spoil(folder / "lenses" / "L-0418.yaml", "f_number: 2.0", "f_number: 0.1")
    (folder / "glasses" / "pane-25.yaml").write_text("glass: [pane-25\n")
    files = [problem.split(":")[0] for problem in said(folder)]
    assert files == ["bench.yaml", "bench.yaml", "adapters/gap-03.yaml", "glasses/pane-25.yaml", "lenses/L-0418.yaml"]


def test_things_that_carry_calibrations_share_no_name(folder: Path) -> None:
    spoil(folder / "references" / "collar-45.yaml", "reference: collar-45", "reference: ring-07")
    assert said(folder) == [
        "references/collar-45.yaml:1:12 reference = 'ring-07': an id that no adapter has: calibrations are kept by it"
    ]


def test_an_unknown_record_is_refused_with_near_names() -> None:
    records = Records.load(WORKSHOP)
    with pytest.raises(Refused) as caught:
        records.lens("l0417")
    assert caught.value.code == "unknown_name"
    assert caught.value.data["near"][0] == "L-0417"
    assert "Did you mean L-0417" in caught.value.advice
    with pytest.raises(Refused, match="There is no glass 'x'"):
        records.glass("x")


class StageConfig(BaseModel):
    """Stands for what a driver asks of its own keys."""

    model_config = ConfigDict(extra="forbid")
    letter: str
    um_per_unit: float
    positive: str
    zero_at: float
    travel_um: tuple[float, float]
    top_speed_um_s: float
    acceleration_um_s2: float
    approach: str
    home_search_um: float


def test_a_drivers_own_keys_are_checked_at_their_lines(folder: Path) -> None:
    good: LoadedBench = load_bench(folder / "bench.yaml")
    assert good.device_config("stage", StageConfig).travel_um == (0, 30000)
    spoil(folder / "bench.yaml", "travel_um: [0, 30000]", "travel_um: [0, far]")
    spoil(folder / "bench.yaml", "letter: Z", "leter: Z")
    with pytest.raises(FileProblems) as caught:
        load_bench(folder / "bench.yaml").device_config("stage", StageConfig)
    texts = [str(problem).rsplit("/", 1)[1] for problem in caught.value.problems]
    line = line_of(folder / "bench.yaml", "leter")
    assert texts[0].startswith(f"bench.yaml:{line}:5 devices.stage.leter = 'Z': unknown key; did you mean 'letter'?")
    assert texts[1].endswith("devices.stage.travel_um[1] = 'far': a number")


class PortConfig(BaseModel):
    port: str
    baud: int


def test_a_relative_port_starts_at_the_bench_file(folder: Path) -> None:
    bench = load_bench(folder / "bench.yaml")
    assert bench.link_config("board_line", PortConfig).port == str(folder / "run" / "board")
    spoil(folder / "bench.yaml", "port: run/board", "port: /dev/ttyUSB0")
    assert load_bench(folder / "bench.yaml").link_config("board_line", PortConfig).port == "/dev/ttyUSB0"
