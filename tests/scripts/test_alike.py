"""How `scripts/alike` judges a pair, what it refuses, and its one document; the pairs are in `tests/virtual`."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from alike import main
from alike_judged import judged
from alike_pairs import PAIRS, Compared
from differences import Difference

ALIKE = Path(__file__).resolve().parents[2] / "scripts" / "alike.py"


def scattered(*z: float) -> dict[int, Compared]:
    """A pair that is off by so many u, seed by seed, where -50 was expected."""
    return {seed: Compared(Difference(one - 50.0, 1.0, 1.96), -50.0) for seed, one in enumerate(z, 1)}


@pytest.mark.parametrize(("outside", "met"), [(3, True), (4, False)])
def test_of_twenty_seventeen_have_to_hold(outside: int, met: bool) -> None:
    found = judged("shim", scattered(*[2.0] * outside, *[1.0] * (20 - outside)))
    assert (found.holds, found.least, found.met) == (20 - outside, 17, met)


@pytest.mark.parametrize(("z", "met"), [(0.49, False), (0.51, True), (1.49, True), (1.51, False)])
def test_what_is_off_scatters_as_its_u_says(z: float, met: bool) -> None:
    """An interval that is too wide holds always: that it is as wide as it ought to be is told by the scatter."""
    found = judged("shim", scattered(*[z, -z] * 10))
    assert found.holds == 20
    assert found.rms == pytest.approx(z)
    assert found.met is met
    assert judged("shim", scattered(z, -z)).met, "of two seeds the scatter is told and not judged"


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (["--seeds", "0"], "above zero"),
        (["--at-once", "0"], "above zero"),
        (["--pace", "0"], "above zero"),
        (["--pace", "6"], "at most 5"),
        (["--pairs", "shim,shims"], f"no such pair: shims; there are {', '.join(PAIRS)}"),
    ],
)
def test_what_cannot_be_done_is_refused(
    words: list[str], why: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["alike", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert why in capsys.readouterr().err


@pytest.mark.stack
def test_one_document_of_one_bench_of_processes() -> None:
    """Of two pairs, asked for in another order than that in which they are measured."""
    done = subprocess.run(
        [sys.executable, ALIKE, "--seeds", "1", "--first", "3", "--pairs", "marks,shim", "--json"],
        capture_output=True, text=True, timeout=280, check=False,
    )  # fmt: skip
    assert done.returncode in {0, 1}, done.stderr
    document = json.loads(done.stdout)
    assert document["seeds"] == [3]
    assert list(document["pairs"]) == ["shim", "marks"]
    for pair in document["pairs"].values():
        (row,) = pair["rows"]
        assert row["off"] == pytest.approx(row["difference"] - row["expected"])
        assert row["holds"] is (abs(row["off"]) <= row["U"])
        assert pair["holds"] == row["holds"]
    assert (done.returncode == 0) is all(pair["met"] for pair in document["pairs"].values())
