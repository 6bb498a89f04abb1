"""`scripts/day` in its short form: quicker than life, so that its times say nothing, and all else does."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from day_bench import main

pytestmark = pytest.mark.stack

DAY = Path(__file__).resolve().parents[2] / "scripts" / "day_bench.py"
KEYS = {"lens", "taps", "machine_s", "floor_s", "value_um", "U_um", "verdict", "shim_um", "truth_um"}


def test_a_day_is_one_document_a_tap_a_lens_and_true() -> None:
    done = subprocess.run(
        [sys.executable, DAY, "--lenses", "2", "--seed", "3", "--pace", "5", "--json"],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    assert set(document) == {"lenses", "mended"}
    mended = document["mended"]
    for one in (*document["lenses"], mended["before"], mended["after"]):
        assert set(one) == KEYS
        assert one["taps"] == 1
        assert one["U_um"] < 3.5, "by base, adapter and tape it is 4.4"
        # Once in twenty it lies outside U, and not in 15000 outside twice as much.
        assert abs(one["value_um"] - one["truth_um"]) <= 2.0 * one["U_um"]
        assert one["floor_s"] > 0.0
    assert len(document["lenses"]) == 2
    assert mended["before"]["verdict"] == "fail"
    assert mended["expected_um"] == -mended["before"]["shim_um"]
    assert abs(mended["moved_um"]["value"] - mended["expected_um"]) <= 2.0 * mended["moved_um"]["U"]
    assert abs(mended["after"]["truth_um"]) < abs(mended["before"]["truth_um"])


@pytest.mark.parametrize("words", [["--lenses", "0"], ["--pace", "0"], ["--pace", "9"]])
def test_what_is_no_day_is_refused(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["day", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert "above zero" in capsys.readouterr().err
