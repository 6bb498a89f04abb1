"""`benchd check`: a bad file of each kind gives file, line, key, what stands and what may; nothing is touched."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.assembly import build
from benchd.bench.datum.chain import ScaleRecord, datum_chain
from benchd.cli import exits
from benchd.cli.main import main
from benchd.files.loading import load_bench
from benchd.procedures.library import SHIPPED

ROOT = Path(__file__).resolve().parents[2]
FLANGE = SHIPPED / "flange_check.yaml"
INPUTS = ["lens=L-0417", "adapters=ring-07", "glass=pane-25", "distance_mm=5 m"]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the workshop's files."""
    shutil.copytree(ROOT / "configs" / "workshop", tmp_path / "workshop")
    return tmp_path / "workshop"


def swap(path: Path, old: str, new: str) -> int:
    """Replace what stands in a file; gives the line of it."""
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {path}"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return text[: text.index(old)].count("\n") + 1


Said = Callable[[], str]


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Said:
    """What was printed on stdout since the last time."""
    return lambda: capsys.readouterr().out


@pytest.mark.parametrize(
    ("file", "old", "new", "key", "stands", "may"),
    [
        ("bench.yaml", "tolerance_um: 1.0 ", "tolerance_um: fast ", "motion.tolerance_um", "'fast'", "a number"),
        ("bench.yaml", "letter: Z", "leter: Z", "devices.stage.leter", "'Z'", "did you mean 'letter'"),
        ("bench.yaml", "driver: http_camera", "driver: http_camra", "devices.view.driver", "'http_camra'",
         "'http_camera'"),
        ("bench.yaml", "dial_line: {kind: serial", "dial_line: {kind: serail", "links.dial_line.kind", "'serail'",
         "'serial'"),
        ("bench.yaml", "dial_line: {kind: serial,", "dial_line: {kind: serial, buad: 9600,", "links.dial_line.buad",
         "9600", "did you mean 'baud'"),
        ("bench.yaml", "sqlite:///workshop.db", "sqlite://workshop.db", "store.url", "'sqlite://workshop.db'",
         "the URL of an SQLite file, such as"),
        ("bench.yaml", "arrangement: wall ", "arrangement: wll ", "arrangement", "'wll'", "did you mean 'wall'?"),
        ("bench.yaml", "carriage: stage, ", "", "roles", "{position: .., target_light: .., detector: .., indicator:...",
         "carriage among the roles"),
        ("bench.yaml", "top_speed_um_s: 4000", "top_speed_um_s: 4 mm/s", "devices.stage.top_speed_um_s", "'4 mm/s'",
         "a number alone, in µm/s"),
        ("bench.yaml", "detector: view", "detector: veiw", "roles.detector", "'veiw'", "did you mean 'view'"),
        ("adapters/ring-07.yaml", "alpha_per_K: 23.0e-6", "alpha_per_K: 23.0", "material.alpha_per_K", "23.0",
         "at most 0.0002"),
        ("glasses/pane-25.yaml", "index: 1.5230", "index: 0.5230", "layers[0].index", "0.523", "more than 1"),
        ("references/collar-45.yaml", "kind: setting_ring", "kind: setting_rung", "kind", "'setting_rung'",
         "setting_ring"),
        ("lenses/L-0417.yaml", "designed_for_glass: pane-25", "designed_for_glass: pane-52", "designed_for_glass",
         "'pane-52'", "pane-25"),
    ],
)  # fmt: skip
def test_a_bad_file_gives_line_key_what_stands_and_what_may(
    folder: Path, said: Said, file: str, old: str, new: str, key: str, stands: str, may: str
) -> None:
    path = folder / file
    line = swap(path, old, new)
    assert main(["check", str(path)]) == exits.REFUSED
    told = said()
    assert told.startswith(f"{path}: 1 problem\n")
    assert f"  {path}:{line}:" in told
    assert f" {key} = {stands}: " in told
    assert may in told.partition(f" {key} = {stands}: ")[2]


NO_STORES = (
    "workshop.db", "workshop", "", "sqlite://", "sqlite:///", "sqlite:///:memory:", "sqlite:///.", "sqlite:///data/",
    "sqlite://north/workshop.db", "sqlite:///workshop.db?mode=ro", "sqlite+aiosqlite:///workshop.db",
    "postgresql:///workshop",
)  # fmt: skip


def told_of_store(path: Path, url: str) -> str:
    """How a wrong store is told; spoils the file."""
    line = swap(path, "sqlite:///workshop.db", url)
    return f'{path}:{line}:14 store.url = {url!r}: the URL of an SQLite file, such as "sqlite:///bench.db"'


@pytest.mark.parametrize("url", NO_STORES)
def test_a_store_that_is_no_file_is_told_at_its_place(folder: Path, said: Said, url: str) -> None:
    path = folder / "bench.yaml"
    wrong = told_of_store(path, url)
    assert main(["check", str(path)]) == exits.REFUSED
    assert said() == f"{path}: 1 problem\n  {wrong}\n"


@pytest.mark.parametrize("words", [["up"], ["show", "run", "--bench-file"]], ids=lambda one: one[0])
def test_a_store_that_is_no_file_is_told_likewise_by_whoever_needs_it(
    folder: Path, run_folder: Path, words: list[str]
) -> None:
    path = folder / "bench.yaml"
    wrong = told_of_store(path, "workshop.db")
    before = sorted(folder.rglob("*"))
    told = subprocess.run(
        [sys.executable, "-m", "benchd.cli.main", *words, str(path)],
        capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "XDG_RUNTIME_DIR": str(run_folder.parent)},
    )  # fmt: skip
    assert told.returncode == exits.REFUSED
    assert f"1 problem in a file:\n  {wrong}\n" in told.stderr
    assert told.stdout == ""
    assert sorted(folder.rglob("*")) == before


@pytest.mark.parametrize("url", ["sqlite:///a b.db", "sqlite:///../x.db", "sqlite:////var/lib/x", "sqlite:///a/.b"])
def test_a_store_may_be_any_file(folder: Path, url: str) -> None:
    swap(folder / "bench.yaml", "sqlite:///workshop.db", url)
    (folder / "a").mkdir()
    assert main(["check", str(folder)]) == exits.DONE


def test_files_that_cannot_be_read_are_told_beside_each_other(folder: Path, said: Said) -> None:
    (folder / "lenses" / "L-0419.yaml").mkdir()
    (folder / "adapters" / "ring-08.yaml").write_bytes(b"adapter: ring-08\nseat_below: caf\xe9\n")
    assert main(["check", str(folder / "bench.yaml")]) == exits.REFUSED
    told = said()
    assert told.startswith(f"{folder / 'bench.yaml'}: 2 problems\n")
    assert f"  {folder / 'lenses' / 'L-0419.yaml'}: cannot be read (Is a directory)\n" in told
    assert f"  {folder / 'adapters' / 'ring-08.yaml'}:2:16 = byte 0xe9: text in UTF-8\n" in told


@pytest.mark.parametrize(
    ("old", "new", "key", "may"),
    [
        ("  - nominal: {}", "  - nominel: {}", "steps[3]", "nominal"),
        ('lens: "${lens}"', 'lens: "${lend}"', "setup.lens", "did you mean 'lens'"),
        ("answer: more, is:", "answer: mroe, is:", "answer", "did you mean 'more'"),
        ("min: 3, max: 20", "min: 3, max: 2", "inputs.repeats", "'min' is not above 'max'"),
        ("type: measured", "type: mesured", "inputs.m.type", "measured"),
    ],
)
def test_a_bad_procedure_is_told_likewise(tmp_path: Path, said: Said, old: str, new: str, key: str, may: str) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(FLANGE.read_text(encoding="utf-8"), encoding="utf-8")
    line = swap(path, old, new)
    assert main(["check", str(path)]) == exits.REFUSED
    told = said()
    assert f"{path}:{line}:" in told
    assert key in told
    assert may in told


@pytest.mark.parametrize(
    ("text", "may"),
    [
        ("benhc: north-rail\n", "did you mean 'bench'"),
        ("world: workshop\n", "benchd-sim up"),
        ("alpha: 1\nadapter: ring-07\n", "the key adapter first"),
        ("", "keys with their values"),
        ("- 1\n", "keys with their values"),
        ("lens: [\n", ""),
        ("lens: L-1\nlens: L-2\n", "stands already on line 1"),
    ],
)
def test_what_is_none_of_our_files_is_said_to_be_none(tmp_path: Path, said: Said, text: str, may: str) -> None:
    path = tmp_path / "some.yaml"
    path.write_text(text, encoding="utf-8")
    assert main(["check", str(path)]) == exits.REFUSED
    told = said()
    assert f"{path}:1:" in told or f"{path}:2:" in told
    assert may in told


def test_a_tab_is_called_one(folder: Path, said: Said) -> None:
    path = folder / "bench.yaml"
    line = swap(path, "  tolerance_um: 1.0", "\ttolerance_um: 1.0")
    assert main(["check", str(path)]) == exits.REFUSED
    assert f"{path}:{line}:1: not YAML: a tab stands here; indent with spaces" in said()


@pytest.mark.parametrize(
    ("file", "old", "new", "told"),
    [
        ("adapters/ring-07.yaml", "seat_below: rail", "seat_below: rial", "ring-07 rests on rial, which nothing"),
        ("adapters/ring-07.yaml", "seat_above: m50", "seat_above: m52", "L-0417 has mount m50, which nothing"),
        ("bench.yaml", "seat: rail ", "seat: plate ", "gap-03 rests on rail, which nothing here offers (offered: p"),
    ],
)  # fmt: skip
def test_what_can_stand_nowhere_on_the_bench_is_remarked(
    folder: Path, said: Said, file: str, old: str, new: str, told: str
) -> None:
    assert main(["check", str(folder / "bench.yaml")]) == exits.DONE
    assert "nothing here offers" not in said()
    swap(folder / file, old, new)
    assert main(["check", str(folder / "bench.yaml")]) == exits.DONE
    assert told in said()


def test_a_folder_stands_for_the_bench_file_in_it(folder: Path, said: Said) -> None:
    assert main(["check", str(folder)]) == exits.DONE
    assert f"{folder / 'bench.yaml'}: fine; wall bench north-rail" in said()
    assert main(["check", str(FLANGE), "--bench", str(folder), *INPUTS]) == exits.DONE
    said()
    assert main(["check", str(folder / "lenses")]) == exits.REFUSED
    assert f"{folder / 'lenses' / 'bench.yaml'}: there is no such file" in said()


def test_another_kind_of_file_in_place_of_a_bench_is_told_to_be_one(folder: Path, said: Said) -> None:
    path = folder / "adapters" / "ring-07.yaml"
    assert main(["check", str(FLANGE), "--bench", str(path), *INPUTS]) == exits.REFUSED
    told = said()
    assert "1 problem\n" in told
    assert f"{path}:1:10 adapter = 'ring-07': bench, with which a bench file begins" in told


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path, said: Said) -> None:
    assert main(["check", str(tmp_path / "none.yaml")]) == exits.REFUSED
    assert "there is no such file" in said()


def test_all_that_ship_are_fine_and_the_bench_is_described(folder: Path, said: Said) -> None:
    files = [str(path) for path in (*sorted(folder.rglob("*.yaml")), *sorted(SHIPPED.glob("*.yaml")))]
    assert main(["check", *files]) == exits.DONE
    told = said()
    assert told.count(": fine; ") == len(files)
    assert "wall bench north-rail.\n  5 devices, 3 links, 2 lenses, 3 adapters, 1 glass, 3 references\n" in told
    assert told.endswith(f"{len(files)} files: all fine.\n")


def test_json_is_one_document_with_every_problem_in_its_parts(folder: Path, said: Said) -> None:
    path = folder / "bench.yaml"
    line = swap(path, "tolerance_um: 1.0 ", "tolerance_um: fast ")
    swap(path, "settle_ms: 150", "settle_ms: -1")
    assert main(["check", "--json", str(path), str(folder / "lenses" / "L-0417.yaml")]) == exits.REFUSED
    doc = json.loads(said())
    assert doc["ok"] is False
    bench, lens = doc["files"]
    assert lens["ok"] is True
    assert [problem["key"] for problem in bench["problems"]] == ["motion.tolerance_um", "motion.settle_ms"]
    assert (bench["problems"][0]["line"], bench["problems"][0]["stands"]) == (line, "'fast'")


def dry(folder: Path, said: Said, *words: str) -> dict[str, Any]:
    """The plan of the shipped flange check on the copied bench."""
    assert main(["check", str(FLANGE), "--json", "--bench", str(folder / "bench.yaml"), *words]) in (0, 1)
    plan: dict[str, Any] = json.loads(said())["files"][0]["plan"]
    return plan


def test_a_dry_run_goes_where_the_chain_says(folder: Path, said: Said) -> None:
    loaded = load_bench(folder / "bench.yaml")
    changes = {
        "lens": "L-0417",
        "adapters": ["ring-07"],
        "glass": ["pane-25"],
        "distance_mm": 5000.0,
        "ring": "infinity",
    }
    setup = apply(first_setup(loaded.file), changes, loaded.records, loaded.file)
    build(loaded)
    chain = datum_chain(loaded.file, loaded.records, setup, {}, ScaleRecord(1e-5, 0.15, 8.0e-6))
    plan = dry(folder, said, *INPUTS)
    nominal = next(entry for entry in plan["entries"] if entry["verb"] == "nominal")
    assert nominal["to_um"] == pytest.approx(chain.carriage_um, abs=0.1)
    assert len(plan["asks"]) == 2
    assert plan["problems"] == []


def test_a_dry_run_says_what_would_be_refused_and_ends_with_1(folder: Path, said: Said) -> None:
    words = [str(FLANGE), "--bench", str(folder / "bench.yaml"), "lens=L-0417", "adapters=", "distance_mm=5 m"]
    assert main(["check", *words]) == exits.REFUSED
    assert "Would be refused: " in said()


def test_a_dry_run_says_what_to_do_as_the_refusal_would(folder: Path, said: Said) -> None:
    """The text alone was shown; what may stand instead was learnt from the bench only."""
    mine = folder / "mine.yaml"
    step = "steps: [sweep: {repeats: 2}]"
    mine.write_text(f"procedure: mine\ntitle: t\nneeds: {{roles: [carriage, detector]}}\n{step}\n", encoding="utf-8")
    assert main(["check", str(mine), "--bench", str(folder / "bench.yaml")]) == exits.REFUSED
    told = said()
    assert "procedure mine: t, 1 step." in told
    assert "Would be refused: sweep: There is no lens in the set-up.\n  Set it up first.\n" in told


def test_a_dry_run_touches_no_hardware_and_leaves_no_record(folder: Path, said: Said) -> None:
    before = sorted(folder.rglob("*"))
    dry(folder, said, *INPUTS)
    assert sorted(folder.rglob("*")) == before


def test_a_dry_run_by_a_person_is_a_table(folder: Path, said: Said) -> None:
    assert main(["check", str(FLANGE), "--bench", str(folder / "bench.yaml"), *INPUTS]) == exits.DONE
    told = said()
    assert "if flange verdict.is is undecided:" in told
    assert "however it ends:" in told
    assert "Takes about" in told
    assert max(map(len, told.partition("\n\n")[2].splitlines())) <= 100


@pytest.mark.parametrize(
    ("words", "said_"),
    [
        (["lens=L-0417"], "name a file to check"),
        (["no.yaml", "--bench", "bench.yaml"], "for a procedure, and none is named"),
        ([str(FLANGE), "lens=L-0417"], "needs --bench FILE"),
        (["--bench", "bench.yaml", "lens=L-0417"], "name a file to check"),
    ],
)
def test_wrong_usage_ends_with_2(words: list[str], said_: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", *words]) == exits.USAGE
    assert said_ in capsys.readouterr().err


def test_wrong_inputs_are_told_with_what_may_stand(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [str(FLANGE), "--bench", str(folder / "bench.yaml"), "lens=L-0417", "adapters=rnig-07", "distance_mm=5 m"]
    assert main(["check", *words]) == exits.REFUSED
    told = capsys.readouterr().err
    assert "there is no adapter 'rnig-07'; did you mean 'ring-07'? (bad_request)" in told
    assert "(bad_request)" in told


OWN = """\
procedure: evening
title: The last look of the day
needs: {roles: [carriage]}
steps:
  - call: {procedure: NAME, inputs: {}}
"""
PARK = "procedure: park\ntitle: Park\nneeds: {roles: [carriage]}\nsteps:\n  - home: {axes: [carriage]}\n"


def test_a_procedure_may_call_those_beside_it(folder: Path, said: Said) -> None:
    own = folder / "procedures"
    own.mkdir()
    (own / "park.yaml").write_text(PARK, encoding="utf-8")
    (own / "evening.yaml").write_text(OWN.replace("NAME", "park"), encoding="utf-8")
    assert main(["check", str(own / "evening.yaml"), str(folder / "bench.yaml")]) == exits.DONE
    swap(own / "evening.yaml", "procedure: park", "procedure: prak")
    said()
    # The daemon would not start with it, so the bench file is no better.
    assert main(["check", str(folder / "bench.yaml")]) == exits.REFUSED
    told = said()
    assert f"{own / 'evening.yaml'}:5:" in told
    assert "did you mean 'park'" in told


def test_a_target_under_a_cover_stands_deeper_while_a_tip_rests_on_the_cover(folder: Path, said: Said) -> None:
    def first_move() -> float:
        shipped = str(FLANGE.with_name("bench_zero.yaml"))
        assert main(["check", shipped, "--json", "--bench", str(folder / "bench.yaml"), "reference=collar-45"]) == 0
        plan = json.loads(said())["files"][0]["plan"]
        return float(next(one["to_um"] for one in plan["entries"] if one["verb"] == "move"))

    bare = first_move()
    file = folder / "bench.yaml"
    layer = "{thickness_mm: 1.1, u_mm: 0.005, index: 1.523, u_index: 0.001, at_nm: 546}"
    text = file.read_text(encoding="utf-8")
    assert text.count("cover: []") == 1
    file.write_text(text.replace("cover: []", f"cover: [{layer}]"), encoding="utf-8")
    assert first_move() - bare == pytest.approx(1100.0, abs=0.1)


def test_a_bench_that_states_nothing_of_its_position_is_told_which_keys_to_write(folder: Path, said: Said) -> None:
    file = folder / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace(", position: scale", ""), encoding="utf-8")
    assert main(["check", str(file)]) == exits.DONE
    told = said()
    assert "relative" in told
    assert "u_pitch" in told
    steps = "steps: {u_pitch: 5.0e-5, periodic_um: 2.5, u_backlash_um: 1.0, u_home_um: 3.0, alpha_per_K: 1.15e-5}\n"
    file.write_text(text.replace(", position: scale", "") + steps, encoding="utf-8")
    assert main(["check", str(file)]) == exits.DONE
    assert "relative" not in said()


def test_a_scale_without_its_expansion_is_told_which_key_to_write(folder: Path, said: Said) -> None:
    file = folder / "bench.yaml"
    assert main(["check", str(file)]) == exits.DONE
    assert "alpha_per_K" not in said()
    text = file.read_text(encoding="utf-8")
    line = "    alpha_per_K: 8.0e-6       # glass\n"
    assert text.count(line) == 1
    file.write_text(text.replace(line, ""), encoding="utf-8")
    assert main(["check", str(file)]) == exits.DONE
    assert "alpha_per_K" in said()


def test_an_assessment_that_is_not_there_is_refused_as_up_refuses_it(folder: Path, said: Said) -> None:
    """`check` of the folder passed it, and `up` did not start."""
    (folder / "procedures").mkdir()
    mine = folder / "procedures" / "mine.yaml"
    text = FLANGE.read_text(encoding="utf-8").replace("procedure: flange_check", "procedure: mine")
    mine.write_text(text.replace("name: flange}", "name: flangee}"), encoding="utf-8")
    assert main(["check", str(folder)]) == exits.REFUSED
    checked = said()
    assert f"{mine}:" in checked
    assert "flangee" in checked
    assert main(["check", str(mine)]) == exits.REFUSED


def test_what_nothing_goes_by_is_told(folder: Path, said: Said) -> None:
    line = swap(folder / "bench.yaml", "motion:\n", "motion:\n  steps_um: [2, 20]\n") + 1
    assert main(["check", str(folder)]) == exits.DONE
    assert f"bench.yaml:{line}:3 motion.steps_um = [2, 20]: without effect" in said()


def test_up_tells_what_check_tells_before_it_opens_anything(folder: Path, run_folder: Path) -> None:
    """No port is there, so that it ends; the note stands before that, and stdout is left to the one document."""
    line = swap(folder / "bench.yaml", "motion:\n", "motion:\n  steps_um: [2, 20]\n") + 1
    told = subprocess.run(
        [sys.executable, "-m", "benchd.cli.main", "up", str(folder), "--json"],
        capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "XDG_RUNTIME_DIR": str(run_folder.parent)},
    )  # fmt: skip
    assert told.returncode == exits.FAULT, told.stderr
    note = f"note: {folder / 'bench.yaml'}:{line}:3 motion.steps_um = [2, 20]: without effect"
    assert note in told.stderr
    assert told.stderr.index(note) < told.stderr.index("The bench was not started")
    assert "steps_um" not in told.stdout
