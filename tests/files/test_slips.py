"""A slip of a thousand, a u of nothing, a file that is not read: each is refused or named with what is meant."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchd.files.problems import FileProblems
from benchd.procedures.read_bench import WholeBench, read_bench

CONFIGS = Path(__file__).parents[2] / "configs"
THOUSAND = "a factor of 1000?"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(CONFIGS / "workshop", tmp_path / "bench")
    return tmp_path / "bench"


def swap(path: Path, old: str, new: str) -> int:
    """Put something else in a file; gives its line."""
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {path}"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


def refused(folder: Path) -> list[str]:
    with pytest.raises(FileProblems) as caught:
        read_bench(folder / "bench.yaml")
    return [str(problem).replace(f"{folder}/", "") for problem in caught.value.problems]


def passed(folder: Path) -> WholeBench:
    return read_bench(folder / "bench.yaml")


SLIPS = [
    ("adapters/ring-07.yaml", "length_um: 18003.2", "length_um: 12.004", "given.length_um", "12004 is meant"),
    ("adapters/ring-07.yaml", "u_um: 1.5", "u_um: 5000", "given.u_um", "from 0.01 to 500 µm; 5 is meant, a factor"),
    ("adapters/gap-03.yaml", "u_um: 1.5", "u_um: 400", "given.u_um", "at most 10% of length_um, 300.1; 0.4 is meant"),
    ("adapters/ring-07.yaml", "u_um: 1.5", "u_um: 1500", "given.u_um", "from 0.01 to 500 µm; 1.5 is meant, a factor"),
    ("adapters/ring-07.yaml", "u_um: 1.5", "u_um: 0", "given.u_um", "more than 0"),
    ("references/collar-45.yaml", "length_um: 45000.4", "length_um: 45.0004", "given.length_um", THOUSAND),
    ("references/collar-45.yaml", "u_um: 0.6", "u_um: 0", "given.u_um", "more than 0"),
    ("references/collar-45.yaml", "u_um: 0.6", "u_um: 600", "given.u_um", "from 0.002 to 50 µm; 0.6 is meant"),
    ("bench.yaml", "settle_ms: 150", "settle_ms: 0.15", "motion.settle_ms", "0, or a number from 1 to 60000 ms; 150 "),
    ("bench.yaml", "pwm_hz: 1000 ", "pwm_hz: 0.001 ", "devices.lamp.pwm_hz", "from 10 to 1000000 Hz, not 0.001"),
    ("bench.yaml", "pwm_hz: 1000 ", "pwm_hz: 1 ", "devices.lamp.pwm_hz", "1000 is meant, a factor of 1000?"),
    ("bench.yaml", "length_um: 24000,", "length_um: 24,", "base.given.length_um", "base's face at carriage 0; 24000"),
    ("glasses/pane-25.yaml", "thickness_mm: 2.498", "thickness_mm: 2498", "layers[0].thickness_mm", "2.498 is meant"),
    ("glasses/pane-25.yaml", "u_mm: 0.002", "u_mm: 2", "layers[0].u_mm", "0.002 is meant"),
    ("glasses/pane-25.yaml", "u_mm: 0.002", "u_mm: 0", "layers[0].u_mm", "more than 0"),
    ("glasses/pane-25.yaml", "u_index: 0.0005", "u_index: 0.5", "layers[0].u_index", "0.0005 is meant"),
    ("glasses/pane-25.yaml", "at_nm: 546", "at_nm: 0.546", "layers[0].at_nm", "546 is meant"),
    ("lenses/L-0417.yaml", "flange_um: 10}", "flange_um: 0.01}", "tolerance.flange_um", "10 is meant"),
    ("lenses/L-0417.yaml", "shims_fitted_um: [50]", "shims_fitted_um: [0.05]", "shims_fitted_um[0]", "50 is meant"),
    ("lenses/L-0417.yaml", "{value: 49.6, u: 0.2}", "{value: 49.6, u: 0}", "focal_length_mm.u", "more than 0"),
    ("lenses/L-0417.yaml", "{value: 49.6, u: 0.2}", "{value: 0.0496, u: 0.0002}", "focal_length_mm.value", THOUSAND),
    ("lenses/L-0417.yaml", "{value: 49.6, u: 0.2}", "{value: 49.6, u: 200}", "focal_length_mm.u", "0.2 is meant"),
    ("bench.yaml", "flange_depth_mm: 50.000", "flange_depth_mm: 0.05", "mounts.m50.flange_depth_mm", "50 is meant"),
    ("bench.yaml", "shims_um: [10, 20, 50", "shims_um: [0.01, 20, 50", "shims_um[0]", "10 is meant"),
    ("bench.yaml", "u_um: 0.7", "u_um: 700", "joint.u_um", "0.7 is meant"),
    ("bench.yaml", "u_um: 0.7", "u_um: 0", "joint.u_um", "more than 0"),
    ("bench.yaml", "travel_um: [0, 30000]", "travel_um: [0, 30]", "devices.stage.travel_um", "30000 is meant"),
    ("bench.yaml", "um_per_unit: 1000 ", "um_per_unit: 1 ", "devices.stage.um_per_unit", "1000 where it counts milli"),
    ("bench.yaml", "top_speed_um_s: 4000", "top_speed_um_s: 4", "devices.stage.top_speed_um_s", "4000 is meant"),
    ("bench.yaml", "acceleration_um_s2: 20000", "acceleration_um_s2: 20", "devices.stage.acceleration_um_s2",
     "within 0.001 to 20 s, from 200 to 4000000 µm/s2, not 20; 20000 is meant, a factor of 1000?"),
    ("bench.yaml", "home_search_um: 32000", "home_search_um: 32", "devices.stage.home_search_um", "500"),
    ("bench.yaml", "home_search_um: 32000", "home_search_um: 3200", "devices.stage.home_search_um",
     "at least 30000 um, the length of travel_um: from its far end homing would give up before it finds the switch, "
     "which lies beyond the other end; 32000 is meant, a factor of 10?"),
    ("bench.yaml", "home_search_um: 32000", "home_search_um: 29999", "devices.stage.home_search_um", "other end"),
    ("bench.yaml", "u_scale: 1.0e-5", "u_scale: 10", "devices.scale.u_scale", "a number from 1e-08 to 0.01, not 10"),
    ("bench.yaml", "alpha_per_K: 8.0e-6       # glass", "alpha_per_K: 8.0", "devices.scale.alpha_per_K", "1/K, not 8"),
    ("bench.yaml", "range_um: [-600, 600]", "range_um: [-0.6, 0.6]", "devices.dial.range_um", "1200 is meant"),
    ("bench.yaml", "clearance_um: 2000", "clearance_um: 2", "motion.clearance_um", "2000 is meant"),
    ("bench.yaml", "tolerance_um: 1.0", "tolerance_um: 0.02", "motion.tolerance_um", "half a step of what tells"),
    ("bench.yaml", "pitch_mm: 1.000, u_pitch_mm: 0.0005", "pitch_mm: 1.000, u_pitch_mm: 0", "target.u_pitch_mm", ""),
    ("bench.yaml", "length_um: 24000,", "length_um: 24000000,", "base.given.length_um", "24000 is meant"),
    ("bench.yaml", "length_um: 24000,", "length_um: 240000,", "base.given.length_um", "nearest is lens L-041"),
]  # fmt: skip
TOO_SURE = [
    ("adapters/ring-07.yaml", "u_um: 1.5", "u_um: 0.0015", "given.u_um",
     "from 0.01 to 500 µm: a ring against gauge blocks is known to 0.2 µm at best; 1.5 is meant, a factor of 1000?"),
    ("adapters/ring-07.yaml", "length_um: 18003.2, u_um: 1.5", "length_um: 180032, u_um: 0.011", "given.u_um",
     "at least 1e-07 of length_um, 0.0180032: nothing is known better; 11 is meant"),
    ("references/collar-45.yaml", "u_um: 0.6", "u_um: 0.0004", "given.u_um", "known to 0.02 µm at best; 0.4 is meant"),
    ("glasses/pane-25.yaml", "u_mm: 0.002", "u_mm: 0.000002", "layers[0].u_mm", "by tape to 0.1; 0.002 is meant"),
    ("glasses/pane-25.yaml", "u_index: 0.0005", "u_index: 0.00000005", "layers[0].u_index", "a prism of the melt"),
    ("lenses/L-0417.yaml", "49.6, u: 0.2}", "49.6, u: 0.0002}", "focal_length_mm.u", "at least 1e-05 of value"),
    ("lenses/L-0417.yaml", "{value: 0, u: 10} ", "{value: 0, u: 0.0001} ", "principal_gap_mm.u", "to 0.01 mm at best"),
    ("bench.yaml", "u_um: 0.7", "u_um: 0.0007", "joint.u_um", "to 0.05 µm at best; 0.7 is meant, a factor of 1000?"),
    ("bench.yaml", "24000, u_um: 100", "24000, u_um: 0.001", "base.given.u_um", "at best; 1 is meant"),
    ("bench.yaml", "u_pitch_mm: 0.0005", "u_pitch_mm: 5.0e-7", "target.u_pitch_mm", "0.0005 is meant"),
    ("bench.yaml", "u_distance_mm: 3.0", "u_distance_mm: 0.003", "set_up.u_distance_mm", "0.1 mm at best; 3 is meant"),
    ("bench.yaml", "u_temperature_K: 0.3", "u_temperature_K: 0.0003", "set_up.u_temperature_K", "0.3 is meant"),
    ("bench.yaml", "u_scale: 1.0e-5", "u_scale: 1.0e-9", "devices.scale.u_scale", "not 1e-09: an interferometer in"),
    ("bench.yaml", "u_gain: 0.001", "u_gain: 1.0e-7", "devices.dial.u_gain", "0.0001 is meant, a factor of 1000?"),
]  # fmt: skip
"""What is stated as known a thousand times better than it is, or better than anything is."""


@pytest.mark.parametrize(("file", "old", "new", "key", "words"), TOO_SURE)
def test_a_doubt_that_nobody_reaches_is_refused_at_its_line(
    folder: Path, file: str, old: str, new: str, key: str, words: str
) -> None:
    """`check` passed a plate known to 2 nm, and a ring to 0.4 nm."""
    test_a_slip_is_refused_at_its_line(folder, file, old, new, key, words)


HONEST = [
    # A gauge block of 45 mm by interferometry, by comparison; U of certificates halved, values of the trade, no source.
    ("references/collar-45.yaml", "u_um: 0.6", "u_um: 0.02"),
    ("references/collar-45.yaml", "u_um: 0.6", "u_um: 0.05"),
    ("adapters/ring-07.yaml", "u_um: 1.5", "u_um: 0.1"),
    ("glasses/pane-25.yaml", "u_mm: 0.002", "u_mm: 0.0001"),
    # A prism of the melt by minimum deviation: ISO 21395-1 has it within 1e-5; ASTM C1648 asks for 1e-6 at the utmost.
    ("glasses/pane-25.yaml", "u_index: 0.0005", "u_index: 1.0e-6"),
    ("lenses/L-0417.yaml", "{value: 49.6, u: 0.2}", "{value: 49.6, u: 0.003}"),
    ("lenses/L-0417.yaml", "{value: 0, u: 10} ", "{value: 1.52, u: 0.01} "),
    ("bench.yaml", "u_um: 0.7", "u_um: 0.05"),
    ("bench.yaml", "24000, u_um: 100", "24000, u_um: 0.2"),
    ("bench.yaml", "u_pitch_mm: 0.0005", "u_pitch_mm: 0.00002"),
    ("bench.yaml", "u_distance_mm: 3.0", "u_distance_mm: 0.1"),
    ("bench.yaml", "u_temperature_K: 0.3", "u_temperature_K: 0.02"),
    ("bench.yaml", "u_scale: 1.0e-5", "u_scale: 1.0e-7"),
    ("bench.yaml", "u_gain: 0.001", "u_gain: 1.0e-5"),
]


@pytest.mark.parametrize(("file", "old", "new"), HONEST)
def test_what_the_best_of_the_trade_state_is_taken(folder: Path, file: str, old: str, new: str) -> None:
    swap(folder / file, old, new)
    assert not passed(folder).notes


@pytest.mark.parametrize(("file", "old", "new", "key", "words"), SLIPS)
def test_a_slip_is_refused_at_its_line(folder: Path, file: str, old: str, new: str, key: str, words: str) -> None:
    """`check` passed an adapter of 12.004 um, a travel of 30 um, a plate of 4 mm known to 3 mm, `u: 0`."""
    line = swap(folder / file, old, new)
    (said,) = refused(folder)
    assert said.startswith(f"{file}:{line}:"), said
    assert f" {key} = " in said
    assert words in said, said


ODD = [
    ("bench.yaml", "stand_off_um: 0.4}", "stand_off_um: 0}", "joint.stand_off_um = 0: taken as none, which hardly is"),
    ("adapters/ring-07.yaml", "[0.3, -0.1, -0.35, 0.15]", "[0, 0, 0]", "ring-07.yaml:5:"),
    ("bench.yaml", "u_scale: 1.0e-5", "u_scale: 0", "devices.scale.u_scale = 0: taken as known exactly"),
    ("bench.yaml", "u_gain: 0.001", "u_gain: 0", "devices.dial.u_gain = 0: taken as known exactly"),
    ("lenses/L-0417.yaml", "flange_um: 10}", "flange_um: 2}", "Lens L-0417 may be 2 µm off nominal"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "words"), ODD)
def test_what_is_odd_is_told_and_passes(folder: Path, file: str, old: str, new: str, words: str) -> None:
    assert not passed(folder).notes
    swap(folder / file, old, new)
    told = passed(folder).notes
    assert any(words in note for note in told), told


def test_an_adapter_with_which_nothing_comes_within_reach_is_told(folder: Path) -> None:
    """Ten times too long beside a good one, which keeps the drawer from being refused as a whole."""
    good = (folder / "adapters" / "ring-07.yaml").read_text(encoding="utf-8")
    (folder / "adapters" / "ring-08.yaml").write_text(
        good.replace("adapter: ring-07", "adapter: ring-08").replace("18003.2", "180032"), encoding="utf-8"
    )
    (note,) = passed(folder).notes
    assert note.startswith("With adapter ring-08 nominal of every lens lies outside the travel of 0 to 30000 µm")


def test_a_lens_that_reaches_only_with_spare_adapters_put_between_is_told(folder: Path) -> None:
    """A base 25 mm too short passed without a word, as three adapters on each other would still have reached."""
    swap(folder / "bench.yaml", "length_um: 24000,", "length_um: 1500,")
    told = [note for note in passed(folder).notes if "on ring-07: carriage 30497 µm" in note]
    assert told
    assert all("outside the travel of 0 to 30000 µm" in note for note in told)


def test_no_settling_may_be_asked_for(folder: Path) -> None:
    swap(folder / "bench.yaml", "settle_ms: 150", "settle_ms: 0")
    assert not passed(folder).notes


@pytest.mark.parametrize("file", ["adapters/ring-09.yml", "lenses/L-0500.YAML", "procedures/mine.yml"])
def test_a_file_of_another_ending_is_named_and_not_left_out_unsaid(folder: Path, file: str) -> None:
    path = folder / file
    path.parent.mkdir(exist_ok=True)
    path.write_text("adapter: ring-09\n", encoding="utf-8")
    assert refused(folder) == [f"{file}: a name that ends in .yaml: a file with this ending is not read"]


def test_a_bench_file_of_another_ending_is_named(folder: Path) -> None:
    (folder / "bench.yaml").rename(folder / "bench.yml")
    said = refused(folder)
    assert said == ["bench.yaml: there is no such file; bench.yml is there: give it the ending .yaml"]


def test_a_folder_by_another_name_is_told(folder: Path) -> None:
    (folder / "lens").mkdir()
    (note,) = passed(folder).notes
    assert note == f"The folder {folder}/lens is not read; the name is lenses."


@pytest.mark.parametrize("scenario", ["workshop", "workshop-collimated"])
def test_what_ships_is_without_a_note(scenario: str) -> None:
    assert not read_bench(CONFIGS / scenario / "bench.yaml").notes


def test_a_record_that_up_would_refuse_is_refused_by_check(folder: Path) -> None:
    """`check` passed a store in a folder that is not there, and a file that is no record."""
    line = swap(folder / "bench.yaml", "sqlite:///workshop.db", "sqlite:///data/workshop.db")
    (said,) = refused(folder)
    assert said.startswith(f"bench.yaml:{line}:")
    assert "a file in a folder that is there; " in said
    (folder / "data").mkdir()
    assert not passed(folder).notes
    assert not list((folder / "data").iterdir()), "looking made a file"
    (folder / "data" / "workshop.db").write_bytes(b"the grocer's list, kept in the wrong place" * 100)
    (said,) = refused(folder)
    assert "store.url" in said
    assert "data/workshop.db" in said


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("links:\n", "links:\n  spare: {kind: tcp, url: 'socket://x:9'}\n", "without effect: no device is on it"),
        ("# steps: {", "steps: {", "without effect: the scale in the role position counts"),
        ("devices:\n", "devices:\n  ring: {driver: gcode_axis, link: board_line, letter: X, travel_um: [0, 9000], "
         "top_speed_um_s: 900, acceleration_um_s2: 9000, home_search_um: 9000}\n", "an axis is driven in a role"),
    ],
)  # fmt: skip
def test_what_this_bench_has_no_use_for_is_told(folder: Path, old: str, new: str, words: str) -> None:
    swap(folder / "bench.yaml", old, new)
    (note,) = passed(folder).notes
    assert words in note


def test_a_link_of_a_driver_that_takes_none_is_refused(folder: Path) -> None:
    """It was taken and left out."""
    swap(folder / "bench.yaml", "    driver: http_camera\n", "    driver: http_camera\n    link: dial_line\n")
    (said,) = refused(folder)
    assert "devices.view.link" in said
    assert "none; an http_camera is reached by its url" in said
