"""The shipped DMX bench is built as it stands, and what is wrong in one is told at its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench.assembly import build
from benchd.devices import Light
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems

BENCH = Path(__file__).parents[2] / "configs" / "workshop-dmx" / "bench.yaml"
SLOTS = "    slots: [1] "


def changed(folder: Path, old: str, new: str) -> Path:
    text = BENCH.read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    text = text.replace("records: ../workshop ", f"records: {BENCH.parents[1] / 'workshop'} ")
    path = folder / "bench.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_it_is_built() -> None:
    light = build(load_bench(BENCH)).named("target_light", Light)
    assert (light.spec.steps, light.spec.has_failsafe, light.spec.pwm_hz) == (65535, True, 1000)


def test_steady_slots_are_read_as_they_are_written(tmp_path: Path) -> None:
    build(load_bench(changed(tmp_path, "    # steady: {5: 255} ", "    steady: {5: 255, 6: 0} ")))


@pytest.mark.parametrize(
    ("old", "new", "key", "why"),
    [
        (SLOTS, "    slots: [0] ", "lamp.slots[0]", "at least 1"),
        (SLOTS, "    slots: [1, 3] ", "lamp.fine_slots", "as many as slots"),
        (SLOTS, "    slots: [2] ", "lamp.slots", "slot 2 is named twice"),
        (SLOTS, "    address: [1] ", "lamp.address", "fine_slots"),
        ("    # steady: {5: 255} ", "    steady: {5: 256} ", "lamp.steady.5", "255"),
        (
            "slots: 512, refresh_hz: 30",
            "slots: 512, refresh_hz: 44",
            "light_line.refresh_hz",
            "at most 40 with 512 slots",
        ),
        ("slots: 512, refresh_hz: 30", "slots: 512, baud: 250000", "light_line.baud", "refresh_hz"),
        ("    link: light_line", "    link: counter_line", "lamp.link", "needs a link of kind dmx"),
    ],
)
def test_what_is_wrong_is_told_at_its_line(tmp_path: Path, old: str, new: str, key: str, why: str) -> None:
    with pytest.raises(FileProblems) as caught:
        build(load_bench(changed(tmp_path, old, new)))
    told = [(problem.key, problem.allowed) for problem in caught.value.problems]
    assert any(where.endswith(key) and why in what for where, what in told), told
