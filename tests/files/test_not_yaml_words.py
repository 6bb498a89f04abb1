"""What is no YAML is told in words of the file, with the line as it stands; the parser's own are for who wrote it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchd.cli.main import main
from benchd.files.bounds import Within

LENS = """lens: L-1
mount: m50
kind: prime
focal_length_mm: 50
f_number: 2
"""


@pytest.mark.parametrize(("was", "becomes", "said"), [
    ("kind: prime", "kind: prime, f_number: 2",
     "a.yaml:3:22 = 'kind: prime, f_number: 2': not YAML: a colon too many in this line"),
    ("focal_length_mm: 50", "focal_length_mm: {value: 50 u: 0.1}", "a comma or } is missing before this place"),
    ("mount: m50", 'mount: "m50', "not YAML: a quotation mark is opened and not closed"),
    ("focal_length_mm: 50", "focal_length_mm: {value 50, u: 0.1}", "no colon after 'value' ('value: 50')"),
    ("f_number: 2", "  f_number: 2",
     "a.yaml:5:3 = 'f_number: 2': not YAML: indented by 2, the line before it (4) by 0; keys of one block stand under"),
    ("mount: m50\nkind", "mount: m50\nset:\n  -{a: b, c: d}\nkind", "a.yaml:4:3 = '-{a: b, c: d}': not YAML: no space"),
    ("f_number: 2", "f_number: 2,8", "a.yaml:5:11 f_number = '2,8': a number; its decimal sign is a point: 2.8"),
    ("focal_length_mm: 50", "focal_length_mm: {value: 49,6, u: 0.2}",
     "a.yaml:4:29 focal_length_mm.6 = null: no key; the decimal sign of a number is a point, not a comma"),
    ("f_number: 2", "f_number: 2.0", "focal_length_mm = 50: keys with their values {value: .., u: .."),
])  # fmt: skip
def test_each_slip_is_named(
    tmp_path: Path, was: str, becomes: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.yaml"
    file.write_text(LENS.replace(was, becomes), encoding="utf-8")
    assert main(["check", str(file)]) == 1
    told = capsys.readouterr().out
    assert said in told


def test_a_bound_is_written_out() -> None:
    """It said 'a number from 50 to 1e+06 um'."""
    with pytest.raises(ValueError, match=r"^a number from 50 to 1000000 µm; 18003\.2 is meant, a factor of 1000\?$"):
        Within(50.0, 1e6, "um").take(18.0032)


def test_a_step_without_its_colon_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It was answered with the list of all steps, and 'did you mean nominal?'."""
    file = tmp_path / "a.yaml"
    file.write_text("procedure: a\ntitle: t\nneeds: {roles: [carriage]}\nsteps:\n  - nominal {}\n", encoding="utf-8")
    assert main(["check", str(file)]) == 1
    assert "a.yaml:5:5 steps[0] = 'nominal {}': no colon after 'nominal' ('nominal: {}')" in capsys.readouterr().out


def test_a_comma_that_is_missing_in_a_list_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It said 'travel_um.1: this key is needed'."""
    shutil.copytree(Path(__file__).parents[2] / "configs" / "workshop", tmp_path / "bench")
    file = tmp_path / "bench" / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("travel_um: [0, 30000]", "travel_um: [0 30000]"), encoding="utf-8")
    assert main(["check", str(file)]) == 1
    assert "one value more is needed; values of a list have commas between them" in capsys.readouterr().out
