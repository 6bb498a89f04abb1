"""Records that are written into: as a person would have written them, and never half."""

from __future__ import annotations

import os
import random
from pathlib import Path
from typing import Any

import pytest

from benchd.files.loading import load_bench, records_with, reload_records
from benchd.files.problems import FileProblems
from benchd.files.record_text import with_values
from benchd.files.records_folder import FOLDERS, MODELS, Kind
from benchd.files.source import parse_yaml
from benchd.files.whole_file import write_whole

CONFIGS = Path(__file__).parents[2] / "configs"
RECORDS: list[tuple[Kind, Path]] = [
    (kind, path) for kind, name in FOLDERS.items() for path in sorted(CONFIGS.glob(f"*/{name}/*.yaml"))
]


@pytest.mark.parametrize(("kind", "path"), RECORDS, ids=lambda value: getattr(value, "stem", value))
def test_what_is_not_named_stays_as_it_was_typed(kind: Kind, path: Path) -> None:
    """Comments, order, spelling of numbers and the layout of lists."""
    text = path.read_text(encoding="utf-8")
    assert with_values(text, kind, path.stem, {}) == text
    same = {key: value for key, value in parse_yaml(path, text).data.items() if value is not None}
    assert with_values(text, kind, path.stem, same) == text


LENS = """\
lens: L-1
mount: m50                 # as engraved
focal_length_mm: {value: 49.60, u: 0.2}   # measured
f_number: 2.0
shims_fitted_um:
  - 50   # brass
"""


@pytest.mark.parametrize(
    ("values", "became"),
    [
        ({"f_number": 2.8}, ("f_number: 2.0", "f_number: 2.8")),
        ({"focal_length_mm": {"value": 49.6, "u": 0.1}}, ("u: 0.2", "u: 0.1")),
        ({"mount": "m42"}, ("m50                 #", "m42                 #")),
        ({"f_number": None}, ("f_number: 2.0\n", "")),
        ({"model": "Tarnbeck 50"}, ("lens: L-1\n", "lens: L-1\nmodel: Tarnbeck 50\n")),
        ({"tolerance": {"flange_um": 10}}, ("shims_fitted_um:", "tolerance: {flange_um: 10}\nshims_fitted_um:")),
    ],
)
def test_what_is_named_changes_in_its_place(values: dict[str, Any], became: tuple[str, str]) -> None:
    assert with_values(LENS, "lens", "L-1", values) == LENS.replace(*became)


def test_a_new_record_is_in_the_order_of_its_kind() -> None:
    text = with_values("", "lens", "L-2", {"f_number": 2, "serial": "0031", "mount": "m50"})
    assert text == "lens: L-2\nserial: '0031'\nmount: m50\nf_number: 2\n"


def test_lines_end_as_they_did() -> None:
    text = with_values(LENS.replace("\n", "\r\n"), "lens", "L-1", {"f_number": 2.8})
    assert text == LENS.replace("2.0", "2.8").replace("\n", "\r\n")


def test_a_link_to_a_record_stays_one(tmp_path: Path) -> None:
    (tmp_path / "elsewhere.yaml").write_text(LENS, encoding="utf-8")
    link = tmp_path / "L-1.yaml"
    link.symlink_to(tmp_path / "elsewhere.yaml")
    write_whole(link, b"new")
    assert link.is_symlink()
    assert (tmp_path / "elsewhere.yaml").read_bytes() == b"new"


def test_hundreds_of_edits_leave_files_that_say_what_was_asked() -> None:
    """Of random keys with random values; what cannot be is refused as the file would be, and the text stays."""
    chance = random.Random(10)
    text = (CONFIGS / "workshop" / "lenses" / "L-0417.yaml").read_text(encoding="utf-8")
    path, done = Path("L-0417.yaml"), 0
    for _ in range(300):
        values: dict[str, Any] = chance.choice(
            (
                {"f_number": round(chance.uniform(0.3, 22.0), 2)},
                {"t_number": chance.choice((None, 2.2, 2.4))},
                {"shims_fitted_um": [chance.choice((10, 20, 50, 0)) for _ in range(chance.randrange(4))]},
                {"focal_length_mm": {"value": round(chance.uniform(20.0, 90.0), 1), "u": 0.3}},
                {"scale": chance.choice((None, {"unit": "ft", "marks": [1, 2.5, "inf"]}))},
                {"owner": chance.choice(("house", "no: one", "#7", "yes", "", "1e3", "'"))},
                {"nobody": 1},
            )
        )
        new = with_values(text, "lens", "L-0417", values)
        source = parse_yaml(path, new)
        assert all(source.data.get(key) == value for key, value in values.items())
        try:
            MODELS["lens"].model_validate(source.data, strict=False)
        except ValueError:
            continue
        text, done = new, done + 1
    assert done > 180
    assert "# how far the rear reaches behind the seat" in text


@pytest.mark.parametrize("call", range(7))
def test_a_power_cut_leaves_the_old_file_or_the_new(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: int) -> None:
    """At each call to the system; what is written aside has an ending that nothing reads."""

    class PowerCut(Exception):
        pass

    path = tmp_path / "lenses" / "L-1.yaml"
    write_whole(path, LENS.encode())
    path.chmod(0o640)
    done = 0
    for module, name in ((os, "fsync"), (os, "fchmod"), (os, "fchown"), (Path, "replace"), (os, "open")):
        real = getattr(module, name)

        def cut(*args: Any, _real: Any = real) -> Any:
            nonlocal done
            done += 1
            if done > call:
                raise PowerCut
            return _real(*args)

        monkeypatch.setattr(module, name, cut)
    new = LENS.replace("2.0", "2.8")
    try:
        write_whole(path, new.encode())
        whole = True
    except PowerCut:
        whole = False
    monkeypatch.undo()
    assert path.read_text(encoding="utf-8") in ((new,) if whole else (LENS, new))
    assert path.stat().st_mode & 0o777 == 0o640
    assert [found.name for found in path.parent.glob("*.yaml")] == ["L-1.yaml"]


def test_one_wrong_file_keeps_all_as_they_were(tmp_path: Path) -> None:
    import shutil

    shutil.copytree(CONFIGS / "workshop", tmp_path / "workshop")
    loaded = load_bench(tmp_path / "workshop" / "bench.yaml")
    lens = tmp_path / "workshop" / "lenses" / "L-0417.yaml"
    lens.write_text(lens.read_text(encoding="utf-8").replace("mount: m50", "mount: m49"), encoding="utf-8")
    with pytest.raises(FileProblems, match=r"L-0417.yaml:4:8 mount = 'm49': a mount of .*bench.yaml"):
        reload_records(loaded)
    same = records_with(loaded, lens, lens.read_text(encoding="utf-8").replace("m49", "m50"))
    assert same.lens("L-0417") == loaded.records.lens("L-0417")
    assert same.lens("L-0418") is loaded.records.lens("L-0418"), "what reads as before is not checked anew"


COMMENTED = """\
lens: L-1
mount: m50
# measured with the depth gauge
rear_protrusion_mm: null
# stop numbers
f_number: 2.0   # as engraved
scale:
  unit: m   # as engraved
  marks: [0.6, 1, inf]
shims_fitted_um:
  - 50   # brass
  - 20

# who owns it
owner: house
"""


@pytest.mark.parametrize(
    ("values", "was", "became"),
    [
        ({"shims_fitted_um": [50, 20, 10]}, "  - 20\n", "  - 20\n  - 10\n"),
        ({"shims_fitted_um": [20]}, "  - 50   # brass\n", ""),
        ({"shims_fitted_um": []}, "shims_fitted_um:\n  - 50   # brass\n  - 20\n", "shims_fitted_um: []\n"),
        ({"shims_fitted_um": None}, "shims_fitted_um:\n  - 50   # brass\n  - 20\n", ""),
        ({"rear_protrusion_mm": None}, "rear_protrusion_mm: null\n", ""),
        ({"focal_length_mm": {"value": 9, "u": 1}}, "mount: m50\n", "mount: m50\nfocal_length_mm: {value: 9, u: 1}\n"),
        ({"f_number": None}, "f_number: 2.0   # as engraved\n", ""),
        ({"scale": {"unit": "ft", "marks": [2, "inf"]}}, "unit: m   # as engraved\n  marks: [0.6, 1, inf]",
         "unit: ft   # as engraved\n  marks: [2, inf]"),
        ({"scale": {"unit": "m"}}, "  marks: [0.6, 1, inf]\n", ""),
        ({"owner": "# 7"}, "owner: house", "owner: '# 7'"),
    ],
)  # fmt: skip
def test_comments_stay_where_they_are(values: dict[str, Any], was: str, became: str) -> None:
    assert COMMENTED.count(was) == 1
    assert with_values(COMMENTED, "lens", "L-1", values) == COMMENTED.replace(was, became)
