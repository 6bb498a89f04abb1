"""World files: what ships is readable, what is wrong is named by file, line and key."""

from importlib import resources
from pathlib import Path

import pytest

from benchd_simulators.world import WorldFileError, load_world, read_world, shipped

TEXT = resources.files("benchd_simulators").joinpath("worlds", "workshop.yaml").read_text(encoding="utf-8")


def refuse(folder: Path, text: str | bytes) -> list[str]:
    path = folder / "mine.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(WorldFileError) as refused:
        read_world(path)
    assert all(line.startswith(str(path)) for line in refused.value.problems)
    return [line.removeprefix(str(path)) for line in refused.value.problems]


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def test_what_ships_is_readable() -> None:
    assert {"workshop", "workshop-collimated"} <= set(shipped())
    for name in shipped():
        assert read_world(name).world == name


def test_a_copied_world_can_be_changed(tmp_path: Path) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(TEXT.replace("record: 24000, u: 100", "record: 23000, u: 0"))
    quantities = load_world(path, 1, 1.0, lambda: 0.0)
    assert quantities.fitting.base_um(0.0) == 23000


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ("  backlash_um: 6", "  backlsh_um: 6", "carriage.backlsh_um", "did you mean 'backlash_um'"),
        ("  read_noise_e: 5", "  read_noise_e: lots", "camera.read_noise_e", "'lots' stands here"),
        ("  periodic_um: 2.5", "  periodic_um: -2", "carriage.periodic_um", "-2 stands here"),
        ("u: 100, shape: rectangular", "u: 100, shape: square", "base.depth_um.shape", "'square' stands here; may be"),
        ("u: 100, shape: rectangular", "u: .inf, shape: normal", "base.depth_um.u", "finite"),
        ("arrangement: wall", "arrangement: floor", "arrangement", "'floor' stands here"),
        ("    seat_above: m50\n", "    seat_abov: m50\n", "adapters.ring-07.seat_abov", "did you mean 'seat_above'"),
        (
            "    designed_for_glass: pane-25",
            "    designed_for_glass: pane-26",
            "lenses.L-0417.designed_for_glass",
            "pane-25",
        ),
        ("    fits: [ring-07]", "    fits: [ring-08]", "glasses.pane-25.fits.0", "'ring-08' stands here"),
        (
            "    shims_fitted_um: [50]",
            "    shims_fitted_um: [51]",
            "lenses.L-0417.shims_fitted_um.0",
            "shims known: 10, 20",
        ),
        ("  home_switch_um: -1500", "  home_switch_um: -2000", "carriage", "is needed"),
    ],
)
def test_problems_name_line_and_key(tmp_path: Path, old: str, new: str, key: str, words: str) -> None:
    text = TEXT.replace(old, new, 1)
    assert text != TEXT
    problems = refuse(tmp_path, text)
    mine = [problem for problem in problems if f" {key}: " in problem]
    assert mine
    assert words in mine[0]
    if key != "carriage":
        assert mine[0].startswith(f":{line_of(text, new.strip())}:")


def test_several_problems_come_at_once(tmp_path: Path) -> None:
    text = TEXT.replace("backlash_um: 6", "backlash_um: no").replace("  bits: 12\n", "")
    problems = refuse(tmp_path, text)
    assert len(problems) == 2
    assert any("camera.bits: this key is missing" in problem for problem in problems)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "a world file is a mapping"),
        ("- 1\n- 2\n", "a world file is a mapping"),
        ("world: a\nworld: b\n", "world"),
        ("world: [1, 2\n", ":"),
        (b"world: \xff\xfe\n", ":1:8: byte 0xff is not UTF-8 text"),
        (b"world: a\narrangement: w\xe4ll\n", ":2:15: byte 0xe4 is not UTF-8 text"),
        ("world: &a [*a]\n", ""),
        ("x" * 300_000, "at most"),
    ],
)
def test_what_is_no_world_at_all(tmp_path: Path, text: str | bytes, words: str) -> None:
    assert words in refuse(tmp_path, text)[0]


def test_unknown_world_tells_what_ships() -> None:
    with pytest.raises(WorldFileError, match="workshop-collimated"):
        read_world("worksop")
    with pytest.raises(WorldFileError, match="cannot be read"):
        read_world("nowhere/none.yaml")


def test_a_missing_colon_is_told_at_its_line(tmp_path: Path) -> None:
    """It was told two lines later, as `could not find expected ':'`."""
    text = TEXT.replace("\nroom:\n", "\nroom\n")
    assert text != TEXT
    (problem,) = refuse(tmp_path, text)
    assert problem == f":{line_of(text, 'room')}:1: a key without its colon"


def test_a_layer_is_held_against_what_it_is(tmp_path: Path) -> None:
    """A wrong shape in a plate was told five times: four lines spoke of the air gap that it is not."""
    text = TEXT.replace(
        "index: {record: 1.5230, u: 0.0005, shape: rectangular}", "index: {record: 1.5230, u: 0.0005, shape: x}"
    )
    assert text != TEXT
    (problem,) = refuse(tmp_path, text)
    assert " glasses.pane-25.layers.0.index.shape: 'x' stands here" in problem
