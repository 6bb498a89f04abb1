"""What is no YAML is told in words of the file, with the line as it stands; the parser's own are for who wrote it."""

from __future__ import annotations

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
    with pytest.raises(ValueError, match=r"^a number from 50 to 1000000 um; 18003\.2 is meant, a factor of 1000\?$"):
        Within(50.0, 1e6, "um").take(18.0032)
