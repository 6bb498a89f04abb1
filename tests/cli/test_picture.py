"""`benchd picture`: what it says of pictures that the simulator's optics and camera made at known depths.

Nothing of benchd is in those pictures: lens, blur, sensor and file are the simulator's own, and so is their truth.
"""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from benchd.arrangements.setup_document import DEFAULT_LIGHT_NM
from benchd.cli import exits
from benchd.cli.main import main
from benchd.cli.picture_focus import ONE_WAY, SCATTER_ALONE
from benchd.detectors.edge.detector import EdgeDetector
from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen
from benchd.devices import Clock, Frame
from benchd.files.bench_file import Target
from benchd.reports.palette import HORIZONTAL, VERTICAL
from benchd.reports.picture_seen import draw
from benchd_drivers.folder_camera import FolderCamera, FolderCameraConfig
from benchd_simulators.world.camera import png
from benchd_simulators.world.lens import Optic
from benchd_simulators.world.picture import Scene, camera_factor, digitise, render

LP_MM, PIXEL_UM, F_NUMBER, TURN_DEG, BLUR_PX = 40.0, 4.0, 2.0, 5.0, 0.5
CYCLES = LP_MM * PIXEL_UM / 1000.0
HALF_UM = 705.0 * F_NUMBER / LP_MM
AS_TAKEN = ("--lp-mm", "40", "--pixel-um", "4", "--f-number", "2", "--linear")
LIGHT = ("--light-nm", f"{DEFAULT_LIGHT_NM}")
LENS = Optic(f_number=F_NUMBER, image_um=12.3, even_um=(0.1,))

Ask = Callable[..., tuple[int, Any]]


class Here:
    """The work of the worker process, in this one."""

    async def run(self, work: Callable[..., Any], *args: Any) -> Any:
        return work(*args)


def taken(
    rng: np.random.Generator, depth_um: float, optic: Optic = LENS, electrons: float = 12_000.0, gamma: float = 1.0
) -> bytes:
    """A picture of the square (180 px, turned by 5 degrees) at a depth."""
    scene = Scene(optic, depth_um, 1.0, 720.0, TURN_DEG, 0.02)
    light = render(scene, width=300, height=290, pixel_um=PIXEL_UM, blur_px=BLUR_PX, centre_px=(1.3, -2.2))
    offset = 500 if gamma == 1.0 else 0
    return png(
        digitise(
            light * electrons,
            rng,
            full_well_e=20_000.0,
            read_noise_e=5.0,
            offset=offset,
            bits=12,
            gain=1.0,
            gamma=gamma,
        )
    )


def listed(folder: Path, lines: Iterable[str], head: str = "file,depth_um") -> Path:
    """The list of depths beside the folder."""
    place = folder.parent / f"{folder.name}.csv"
    place.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return place


def folder_of(folder: Path, depths_um: Sequence[float], seed: int, **how: Any) -> tuple[str, ...]:
    """Pictures at these depths in a folder; the words that name it with its list."""
    rng = np.random.default_rng(seed)
    folder.mkdir()
    lines = []
    for i, depth_um in enumerate(depths_um):
        (folder / f"p{i:02}.png").write_bytes(taken(rng, depth_um, **how))
        lines.append(f"p{i:02}.png,{depth_um!r}")
    return str(folder), "--depths", str(listed(folder, lines))


def shuffled(seed: int, about_um: float, reach_hw: float = 1.5, count: int = 15) -> list[float]:
    places = np.linspace(about_um - reach_hw * HALF_UM, about_um + reach_hw * HALF_UM, count)
    return [float(place) for place in np.random.default_rng(seed).permutation(places)]


@pytest.fixture(scope="module")
def sweep(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, ...]:
    """Fifteen pictures about best focus, shuffled."""
    return folder_of(tmp_path_factory.mktemp("sweep") / "shots", shuffled(4, 10.0), 4)


@pytest.fixture(scope="module")
def fonts() -> None:
    """The library that draws keeps its fonts open, from the first picture on: no test's leak."""
    draw(np.zeros((20, 30), dtype=np.uint8), "title", "said")


@pytest.fixture
def ask(capsys: pytest.CaptureFixture[str]) -> Ask:
    """The code and the JSON document."""

    def asked(*words: object) -> tuple[int, Any]:
        code = main(["picture", *map(str, words), "--json"])
        return code, json.loads(capsys.readouterr().out)

    return asked


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    place = tmp_path / "shot.png"
    place.write_bytes(taken(np.random.default_rng(1), 20.0))
    return place


# ---- one picture


def test_a_picture_is_seen_as_the_simulator_made_it(shot: Path, ask: Ask) -> None:
    code, doc = ask(shot, "--lp-mm", "40", "--pixel-um", "4", "--linear")
    assert (code, doc["ok"], doc["png"]) == (exits.DONE, True, None)
    (one,) = doc["pictures"]
    assert (one["columns"], one["rows"], one["bits"], one["refused"], one["linear"]) == (300, 290, 12, None, True)
    square = one["square"]
    assert (square["x"], square["y"]) == pytest.approx((149.5 + 1.3, 144.5 - 2.2), abs=0.05)
    assert square["side_px"] == pytest.approx(180.0, abs=0.05)
    assert square["angle_deg"] == pytest.approx(TURN_DEG, abs=0.02)
    levels = one["levels"]
    assert levels["bright"] == pytest.approx(500 + 0.6 * 65035, rel=0.005)
    assert levels["dark"] == pytest.approx(500 + 0.012 * 65035, rel=0.05)
    assert (levels["full_scale"], levels["clipped_share"], levels["zero_share"]) == (65520, 0.0, 0.0)
    assert one["cycles_per_px"] == CYCLES
    truth = modulation_at(CYCLES, 20.0)
    for edge in (one["v"] | {"modulation": one["v"]["value"]}, *one["edges"]):
        assert abs(edge["modulation"] - truth) <= 4.0 * edge["u"] + 1e-4
    assert one["h"]["value"] == pytest.approx(truth, abs=4.0 * one["h"]["u"] + 1e-4)
    assert [edge["side"] for edge in one["edges"]] == ["left", "right", "top", "bottom"]


def modulation_at(cycles: float, depth_um: float) -> float:
    """By the simulator's optics: through the lens, times the camera's own."""
    camera = camera_factor(np.array([cycles]), BLUR_PX, TURN_DEG)
    return float(LENS.modulation(1000.0 * cycles / PIXEL_UM, np.array([depth_um]))[0] * camera[0])


@pytest.mark.parametrize(
    ("stated", "lp_mm"),
    [
        ((), None),
        (("--cycles-per-px", "0.1", "--pixel-um", "4"), 25.0),
        (("--cycles-per-px", "0.1", "--pitch-mm", "0.72"), 25.0),
        (("--lp-mm", "25", "--pitch-mm", "0.72"), 25.0),
    ],
)
def test_a_frequency_is_stated_in_the_picture_or_at_the_target(
    stated: tuple[str, ...], lp_mm: float | None, shot: Path, ask: Ask
) -> None:
    _, doc = ask(shot, "--linear", *stated)
    (one,) = doc["pictures"]
    assert one["cycles_per_px"] == pytest.approx(0.1, rel=1e-4)
    assert one["lp_mm"] == (None if lp_mm is None else pytest.approx(lp_mm, rel=1e-4))
    assert one["v"]["value"] == pytest.approx(modulation_at(0.1, 20.0), abs=4.0 * one["v"]["u"] + 1e-4)


def test_the_curve_of_a_camera_is_taken_back_where_it_is_stated(tmp_path: Path, ask: Ask) -> None:
    place = tmp_path / "video.png"
    place.write_bytes(taken(np.random.default_rng(3), 20.0, gamma=2.2))
    (stated,) = ask(place, "--gamma", "2.2")[1]["pictures"]
    assert stated["linear"] is True
    assert stated["v"]["value"] == pytest.approx(modulation_at(0.1, 20.0), abs=4.0 * stated["v"]["u"] + 1e-4)
    (left,) = ask(place)[1]["pictures"]
    assert left["linear"] is False
    assert abs(left["v"]["value"] - modulation_at(0.1, 20.0)) > 10.0 * stated["v"]["u"]


def test_what_cannot_be_measured_is_told_by_its_name_and_the_rest_all_the_same(
    shot: Path, tmp_path: Path, ask: Ask, capsys: pytest.CaptureFixture[str]
) -> None:
    broken, grey, none = tmp_path / "broken.png", tmp_path / "grey.png", tmp_path / "none.png"
    broken.write_bytes(shot.read_bytes()[:5000])
    grey.write_bytes(png(np.full((200, 320), 30_000, dtype=np.uint16)))
    code, doc = ask(broken, grey, none, shot)
    assert (code, doc["ok"]) == (exits.REFUSED, False)
    whys = [one["refused"] and one["refused"]["code"] for one in doc["pictures"]]
    assert whys == ["unreadable", "no_square", "not_found", None]
    assert all(one["refused"]["advice"] for one in doc["pictures"][:3])
    assert doc["pictures"][1]["levels"]["bright"] == 30_000
    assert main(["picture", str(grey), str(shot)]) == exits.REFUSED
    told = capsys.readouterr().out
    assert "one flat grey. (no_square)" in told
    assert "Vertical edges" in told
    assert "Not known to be linear in light" in told


def test_a_frequency_beyond_the_pixels_is_refused_with_what_to_change(shot: Path, ask: Ask) -> None:
    code, doc = ask(shot, "--lp-mm", "260", "--pixel-um", "4")
    assert code == exits.REFUSED
    assert doc["pictures"][0]["refused"]["code"] == "too_fine"
    assert "--lp-mm" in doc["pictures"][0]["refused"]["advice"]


# ---- a folder


def test_the_interval_holds_best_focus(tmp_path: Path, ask: Ask) -> None:
    """Of five intervals of 95 % three or more hold it but for once in 800 times, and twice the interval does."""
    off = []
    for seed in range(5):
        draw = np.random.default_rng([7, seed])
        optic = Optic(f_number=F_NUMBER, image_um=float(draw.uniform(-30, 30)), even_um=(float(draw.normal(0, 0.12)),))
        places = shuffled(seed, optic.image_um + float(draw.uniform(-5, 5)))
        code, doc = ask(*folder_of(tmp_path / str(seed), places, seed, optic=optic), *AS_TAKEN)
        assert code == exits.DONE, doc
        focus = doc["focus"]
        assert 0.0 < focus["U"] < 0.05 * HALF_UM
        assert focus["U"] == pytest.approx(focus["k"] * focus["u"])
        off.append((focus["value"] - optic.peak_um(LP_MM)) / focus["U"])
    assert all(abs(by) <= 2.0 for by in off), off
    assert sum(abs(by) <= 1.0 for by in off) >= 3, off


async def test_pictures_are_measured_as_in_a_sweep_to_the_last_bit(sweep: tuple[str, ...], ask: Ask) -> None:
    """By the edge detector, which is told what its camera says in the bench file."""
    config = FolderCameraConfig(folder=sweep[0], lag_s=0.0, linear=True, pixel_um=PIXEL_UM, u_pixel_um=0.03)
    here: Any = Here()
    target = Target(id="cross-2", pitch_mm=1.0, u_pitch_mm=0.0005)
    detector = EdgeDetector(Gear(FolderCamera.create("still", config, None), "still", target, None, here, Clock()))
    captures = [
        Capture(Frame(path.read_bytes(), "image/png", 0.0, "", None), 0.0, "")
        for path in sorted(Path(sweep[0]).iterdir())
    ]
    seen = []
    for capture in captures:
        glance = await detector.glance(capture, LP_MM)
        assert isinstance(glance, Glance)
        seen.append(Seen(0.0, capture, glance))
    await detector.settle_on(max(seen, key=lambda one: one.glance.value), seen, LP_MM)
    _, doc = ask(*sweep, *AS_TAKEN)
    for capture, one in zip(captures, doc["pictures"], strict=True):
        measured = await detector.measure(capture)
        assert isinstance(measured, Measured)
        assert measured.values == {name: (one[name]["value"], one[name]["u"]) for name in ("v", "h")}
        assert measured.linear == one["linear"]


def test_a_picture_far_out_changes_nothing_for_the_others(sweep: tuple[str, ...], tmp_path: Path, ask: Ask) -> None:
    _, before = ask(*sweep, *AS_TAKEN)
    folder = Path(shutil.copytree(sweep[0], tmp_path / "shots"))
    (folder / "far.png").write_bytes(taken(np.random.default_rng(9), 4.0 * HALF_UM))
    lines = [f"{Path(one['file']).name},{one['depth_um']!r}" for one in before["pictures"]]
    _, after = ask(folder, "--depths", listed(folder, [*lines, f"far.png,{4.0 * HALF_UM!r}"]), *AS_TAKEN)
    same = [{key: one[key] for key in ("v", "h", "depth_um")} for one in after["pictures"][:-1]]
    assert same == [{key: one[key] for key in ("v", "h", "depth_um")} for one in before["pictures"]]
    assert after["focus"]["value"] == pytest.approx(before["focus"]["value"], abs=1e-6)


def test_what_the_interval_does_not_hold_is_said(tmp_path: Path, ask: Ask) -> None:
    places = sorted(shuffled(2, 12.0))
    _, doc = ask(*folder_of(tmp_path / "shots", places, 2), *AS_TAKEN[:-1])
    notes = doc["focus"]["notes"]
    assert SCATTER_ALONE in notes
    assert ONE_WAY in notes
    (curve,) = [note for note in notes if "shift best focus by up to 3.0 µm" in note]  # 0.75 N squared
    assert "--linear" in curve
    assert "--gamma" in curve
    assert "bench file" not in curve, "there is none"


def test_how_wide_a_curve_ought_to_be_goes_by_the_light(tmp_path: Path, ask: Ask) -> None:
    """Of f/2.4 where f/2 is said: wider than 546 nm explains, and not than 2000 nm do."""
    optic = Optic(f_number=2.4, image_um=12.3)
    words = folder_of(tmp_path / "shots", shuffled(3, 12.3, 1.8, 18), 3, optic=optic)
    usual, named, long = (ask(*words, *AS_TAKEN, *nm)[1]["focus"] for nm in ((), LIGHT, ("--light-nm", "2000")))
    assert "wide" in usual["flags"]
    assert usual == named, "a set-up takes the same"
    assert "wide" not in long["flags"]
    assert usual["value"] == long["value"]
    code, doc = ask(*words, *AS_TAKEN, "--f-number", "16", "--light-nm", "2000")
    assert code == exits.REFUSED
    assert "f/16 passes 31.25 lp/mm" in doc["error"]["text"]  # 1 / (wavelength times f-number)


REFUSED: dict[str, tuple[str, str, str]] = {
    "not there": ("p00.png,1\np01.png,2\np02.png,3", "p02.png", "a file in"),
    "beside the folder": ("p00.png,1\np01.png,2\n../depths.csv,3", "../depths.csv", "a file in"),
    "not listed": ("p00.png,1", "p01.png", "without a depth"),
    "twice": ("p00.png,1\np01.png,2\np00.png,3", "p00.png", "each once; it is in line 2"),
    "no number": ("p00.png,deep\np01.png,2", "deep", "a finite number of µm"),
    "not finite": ("p00.png,inf\np01.png,2", "inf", "a finite number of µm"),
    "too large": ("p00.png,1e999\np01.png,2", "1e999", "a finite number of µm"),
    "no depth": ("p00.png,\np01.png,2", "depth_um", "a finite number of µm"),
    "comma for a point": ("p00.png,1,5\np01.png,2", "p00.png,1,5", "a point in the number"),
}


@pytest.mark.parametrize("why", REFUSED)
def test_a_list_that_does_not_go_with_the_folder_is_refused_by_name(why: str, tmp_path: Path, ask: Ask) -> None:
    lines, name, said = REFUSED[why]
    folder, *_ = folder_of(tmp_path / "shots", (0.0, 20.0), 1)
    code, doc = ask(folder, "--depths", listed(tmp_path / "shots", lines.split("\n")), *AS_TAKEN)
    assert (code, doc["ok"]) == (exits.REFUSED, False)
    (line,) = doc["error"]["text"].split("\n")[1:]
    assert name in line
    assert said in line


@pytest.mark.parametrize("head", ["file;depth_um", "file,depth", "file,depth_um,lens", "p00.png,3"])
def test_a_list_without_its_columns_is_refused(head: str, tmp_path: Path, ask: Ask) -> None:
    folder, *_ = folder_of(tmp_path / "shots", (0.0,), 1)
    code, doc = ask(folder, "--depths", listed(tmp_path / "shots", ["p00.png,1"], head), *AS_TAKEN)
    assert code == exits.REFUSED
    assert "the columns file,depth_um" in doc["error"]["text"]


def test_pictures_that_cannot_be_taken_together_are_all_named(tmp_path: Path, ask: Ask) -> None:
    words = folder_of(tmp_path / "shots", (0.0, 20.0, 40.0), 1)
    broken, small = tmp_path / "shots" / "p01.png", tmp_path / "shots" / "p02.png"
    broken.write_bytes(b"no picture")
    small.write_bytes(png(np.full((200, 320), 30_000, dtype=np.uint16)))
    code, doc = ask(*words, *AS_TAKEN)
    assert code == exits.REFUSED
    first, second = doc["error"]["text"].split("\n")[1:]
    assert "p01.png = unreadable" in first
    assert "p02.png = 320 x 200 px: as large as the first, 300 x 290 px" in second
    missing = tmp_path / "none.csv"
    assert f"{missing}: it cannot be read" in ask(words[0], "--depths", missing, *AS_TAKEN)[1]["error"]["text"]


FEW, FAR, DIM = "needs at least 9", "side lobe", "Too little light"
FINE = ("--lp-mm", "120", *AS_TAKEN[2:])
"""Of which the camera leaves a sixth, on a third of the depth."""
WITHOUT_FIT: dict[str, tuple[list[float], dict[str, Any]]] = {
    FEW: (shuffled(1, 16.0, 1.4, 8), {}),
    FAR: (shuffled(1, 16.0 + 3.4 * HALF_UM, 1.2, 21), {}),
    DIM: (shuffled(1, 16.0, 0.5), {"electrons": 800.0}),
}


@pytest.mark.parametrize("said", WITHOUT_FIT)
def test_where_there_is_no_best_focus_none_is_stated(said: str, tmp_path: Path, ask: Ask) -> None:
    places, how = WITHOUT_FIT[said]
    code, doc = ask(*folder_of(tmp_path / "shots", places, 1, **how), *(FINE if said == DIM else AS_TAKEN))
    assert (code, doc["ok"], doc["focus"]) == (exits.REFUSED, False, None)
    assert len(doc["pictures"]) == len(places)
    assert said in doc["error"]["text"]
    assert doc["error"]["advice"]


# ---- drawn and asked for


def test_the_annotated_picture_is_one(
    fonts: None, sweep: tuple[str, ...], shot: Path, tmp_path: Path, ask: Ask
) -> None:
    whole, single = tmp_path / "whole.png", tmp_path / "single.png"
    code, doc = ask(*sweep, *AS_TAKEN, "--png", whole)
    assert (code, doc["png"]) == (exits.DONE, str(whole))
    assert ask(shot, "--png", single)[1]["png"] == str(single)
    heights = []
    for place in (whole, single):
        with Image.open(place) as image:
            pixels = np.asarray(image.convert("RGB"))
        heights.append(len(pixels))
        for colour in (VERTICAL, HORIZONTAL):
            own = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
            assert (pixels == own).all(axis=-1).sum() > 1000, colour
    assert heights[0] > heights[1] + 400  # with the curve below


def test_a_refused_picture_is_drawn_with_the_reason(fonts: None, tmp_path: Path, ask: Ask) -> None:
    grey, out = tmp_path / "grey.png", tmp_path / "out.png"
    grey.write_bytes(png(np.full((200, 320), 30_000, dtype=np.uint16)))
    assert ask(grey, "--png", out)[0] == exits.REFUSED
    with Image.open(out) as image:
        image.load()


def test_of_a_folder_without_a_peak_the_sharpest_is_drawn(
    fonts: None, tmp_path: Path, ask: Ask, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing was written, and nothing said so."""
    out, never = tmp_path / "out.png", tmp_path / "never.png"
    words = folder_of(tmp_path / "shots", [20.0 + 2.0 * i for i in range(4)], 1)
    code, doc = ask(*words, *AS_TAKEN, "--png", out)
    assert (code, doc["focus"], doc["png"]) == (exits.REFUSED, None, str(out))
    with Image.open(out) as image:
        pixels = np.asarray(image.convert("RGB"))
    for colour in (VERTICAL, HORIZONTAL):
        own = [int(colour[i : i + 2], 16) for i in (1, 3, 5)]
        assert (pixels == own).all(axis=-1).sum() > 1000, colour
    folder = tmp_path / "greys"
    folder.mkdir()
    (folder / "a.png").write_bytes(png(np.full((200, 320), 30_000, dtype=np.uint16)))
    grey = (str(folder), "--depths", str(listed(folder, ["a.png,1"])), *AS_TAKEN, "--png", str(never))
    assert ask(*grey)[1]["png"] is None
    assert main(["picture", *grey]) == exits.REFUSED
    assert f"No picture was written to {never}" in capsys.readouterr().out
    assert not never.exists()


def test_without_the_package_that_draws_it_says_how_to_have_it(
    shot: Path, tmp_path: Path, ask: Ask, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    code, doc = ask(shot, "--png", tmp_path / "out.png")
    assert code == exits.REFUSED
    assert "pip install 'benchd[reports]'" in doc["error"]["advice"]


def test_best_focus_in_words(sweep: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["picture", *sweep, *AS_TAKEN]) == exits.DONE
    told = " ".join(capsys.readouterr().out.split())
    assert "p07.png" in told
    assert "Best focus" in told
    assert "The interval holds for the scatter of these readings alone." in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["FOLDER"], "--depths FILE.csv says"),
        (["FOLDER", "SHOT"], "it goes by itself"),
        (["FOLDER", "--depths", "d.csv", "--pixel-um", "4"], "takes --f-number, and the scale"),
        (["FOLDER", "--depths", "d.csv", "--f-number", "2"], "takes --f-number, and the scale"),
        (["SHOT", "--depths", "d.csv"], "--depths goes with a folder"),
        (["SHOT", "--f-number", "2"], "--f-number goes with a folder"),
        (["SHOT", "--light-nm", "600"], "--light-nm goes with a folder"),
        (["SHOT", "--lp-mm", "40"], "--lp-mm takes the scale"),
        (["SHOT", "--png", "out.jpg"], "name it .png"),
        (["SHOT", "SHOT", "--png", "out.png"], "draws one picture"),
        (["SHOT", "--png", "SHOT"], "not over or among"),
        (["FOLDER", "--depths", "d.csv", "--f-number", "2", "--pixel-um", "4", "--png", "FOLDER/o.png"], "or among"),
        (["SHOT", "--lp-mm", "0", "--pixel-um", "4"], "no number above 0"),
        (["SHOT", "--gamma", "nan"], "no number from 0.2 to 5"),
        (["SHOT", "--linear", "--gamma", "2.2"], "not allowed with"),
        (["SHOT", "--cycles-per-px", ".1", "--lp-mm", "40"], "not allowed with"),
    ],
)
def test_what_does_not_go_together_is_wrong_usage(
    words: list[str], said: str, shot: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = shot.read_bytes()
    (tmp_path / "folder").mkdir()
    given = [word.replace("FOLDER", str(tmp_path / "folder")).replace("SHOT", str(shot)) for word in words]
    code: object = None
    try:
        code = main(["picture", *given])
    except SystemExit as left:  # the parser's own
        code = left.code
    assert code == exits.USAGE
    assert said in capsys.readouterr().err
    assert shot.read_bytes() == before
