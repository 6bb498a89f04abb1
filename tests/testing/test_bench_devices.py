"""Who may move and light up when the conformance kit works on a bench file; no hardware is opened here."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.devices import Axis, Gauge, Light
from benchd.errors import Refused
from benchd.testing.bench_devices import BenchDevices, allowed

WORKSHOP = Path(__file__).resolve().parents[2] / "configs" / "workshop" / "bench.yaml"


def devices(*allow: str, only: tuple[str, ...] = ()) -> BenchDevices:
    found = BenchDevices.of_file(WORKSHOP, only)
    found.allow([allowed(text) for text in allow])
    return found


def test_nothing_moves_or_lights_up_that_was_not_allowed_to() -> None:
    found = devices()
    assert found.named(Axis, acting=True) == found.named(Light, acting=True) == []
    assert found.named(Axis, acting=False) == ["stage"]
    assert found.named(Gauge, acting=True) == ["dial"]
    assert not any("MOVES" in line or "LIGHT" in line for line in found.lines())


def test_an_axis_that_may_says_how_far() -> None:
    assert (
        "stage: HOMES, as far as its switch, and MOVES between 2000 and 8000 um" in devices("stage=2000..8000").lines()
    )
    assert "stage: HOMES, as far as its switch, and MOVES between 0 and 30000 um" in devices("stage").lines()
    assert devices("stage").named(Light, acting=True) == []


@pytest.mark.parametrize(
    ("allow", "told"),
    [
        ("dial", "no device of that name moves or lights up"),
        ("lump", "no device of that name moves or lights up"),
        ("lamp=0..1", "a light has no reach"),
        ("stage=low", "NAME or NAME=LOW..HIGH is wanted"),
        ("stage=2000..31000", "2000..31000 um is no reach of this axis"),
        ("stage=-1..9000", "-1..9000 um is no reach of this axis"),
        ("stage=8000..2000", "8000..2000 um is no reach of this axis"),
        ("stage=2000..2001", "at least 300 are needed"),
    ],
)
def test_what_cannot_be_allowed_is_refused(allow: str, told: str) -> None:
    with pytest.raises(Refused) as refused:
        devices(allow)
    assert told in f"{refused.value.text} {refused.value.advice}"


def test_a_device_that_is_not_there_is_refused() -> None:
    with pytest.raises(Refused, match="has no device 'lump'"):
        devices(only=("lump",))
    with pytest.raises(Refused, match="no device of that name"):
        devices("stage", only=("lamp",))
