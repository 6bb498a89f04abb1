"""What a world file must say for its arrangement, what it may not, what is drawn, and what a hand is refused."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib import resources
from math import sqrt
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from benchd_simulators.world import World, WorldFileError, load_world, read_world
from benchd_simulators.world.arrangements import ARRANGEMENTS
from benchd_simulators.world.schema import WorldRecord

COLLIMATOR = """collimator:
  focal_length_mm: {record: 500.0, u: 0.5}
  parallel_at_um: {record: 12000, u: 4}
  before_lens_mm: {record: 100, u: 10}
"""
MIRROR = """mirror:
  before_lens_mm: {record: 150, u: 10}
  curvature_per_km: {record: 0, u: 0.1}
"""
PICKUP = "pickup_um: {record: 12, u: 2}\n"
NEW = ("workshop-reticle", "workshop-autocollimation")
shipped = lru_cache(read_world)


def text_of(name: str) -> str:
    return resources.files("benchd_simulators").joinpath("worlds", f"{name}.yaml").read_text(encoding="utf-8")


def still(name: str, seed: int) -> World:
    return World(shipped(name), seed, 1.0, lambda: 0.0)


def problems(folder: Path, text: str) -> list[str]:
    path = folder / "mine.yaml"
    path.write_text(text)
    with pytest.raises(WorldFileError) as refused:
        read_world(path)
    return [problem.removeprefix(str(path)) for problem in refused.value.problems]


def without(text: str, section: str) -> str:
    """The text less a section at its outer edge."""
    begins = text.index(f"\n{section}:") + 1
    ends = next(at for at in range(text.index("\n", begins) + 1, len(text)) if text[at - 1] == "\n" and text[at] != " ")
    return text[:begins] + text[ends:]


def test_every_arrangement_that_may_stand_is_known() -> None:
    assert set(get_args(WorldRecord.model_fields["arrangement"].annotation)) == set(ARRANGEMENTS)


@pytest.mark.parametrize(
    ("name", "section", "says"),
    [
        ("workshop-reticle", "collimator", "collimator_reticle needs collimator: its focal length"),
        ("workshop-autocollimation", "mirror", "autocollimation needs mirror: how far it is"),
        ("workshop-autocollimation", "pickup_um", "autocollimation needs pickup_um: how much deeper"),
    ],
)
def test_what_an_arrangement_needs_is_demanded(tmp_path: Path, name: str, section: str, says: str) -> None:
    text = without(text_of(name), section)
    (problem,) = problems(tmp_path, text)
    assert f" {section}: " in problem
    assert says in problem


def test_a_wall_is_demanded_where_there_is_one(tmp_path: Path) -> None:
    text = text_of("workshop")
    (line,) = (line for line in text.splitlines() if line.startswith("  distance_mm:"))
    (problem,) = problems(tmp_path, text.replace(line + "\n", ""))
    assert " room: a world of arrangement wall needs distance_mm" in problem


@pytest.mark.parametrize(
    ("name", "add", "key", "says"),
    [
        ("workshop", COLLIMATOR, "collimator", "no reticle of a collimator stands on its carriage"),
        ("workshop", MIRROR, "mirror", "no mirror before the lens"),
        ("workshop", PICKUP, "pickup_um", "no detector beside a source"),
        ("workshop", "  vergence_per_m: {record: 0, u: 4.0e-4}\n", "room.vergence_per_m", "no collimator"),
        ("workshop-collimated", COLLIMATOR, "collimator", "no reticle of a collimator stands on its carriage"),
        ("workshop-collimated", MIRROR, "mirror", "no mirror before the lens"),
        ("workshop-collimated", PICKUP, "pickup_um", "no detector beside a source"),
        ("workshop-collimated", "  distance_mm: {record: 5000, u: 3}\n", "room.distance_mm", "no wall"),
        ("workshop-collimated", "  distance_over: [ring-07]\n", "room.distance_over", "no wall"),
        ("workshop-collimated", "  tape_ratio_u: 0.001\n", "room.tape_ratio_u", "no wall"),
        ("workshop-reticle", MIRROR, "mirror", "no mirror before the lens"),
        ("workshop-reticle", PICKUP, "pickup_um", "no detector beside a source"),
        ("workshop-reticle", "  vergence_per_m: {record: 0, u: 4.0e-4}\n", "room.vergence_per_m", "parallel_at_um"),
        ("workshop-reticle", "  distance_mm: {record: 5000, u: 3}\n", "room.distance_mm", "no wall"),
        ("workshop-autocollimation", COLLIMATOR, "collimator", "no reticle of a collimator stands on its carriage"),
        (
            "workshop-autocollimation",
            "  vergence_per_m: {record: 0, u: 4e-4}\n",
            "room.vergence_per_m",
            "no collimator",
        ),
        ("workshop-autocollimation", "  distance_mm: {record: 5000, u: 3}\n", "room.distance_mm", "no wall"),
    ],
)
def test_what_an_arrangement_has_no_use_for_is_refused(
    tmp_path: Path, name: str, add: str, key: str, says: str
) -> None:
    text = text_of(name)
    changed = text.replace("room:\n", f"room:\n{add}") if add.startswith(" ") else text + add
    (problem,) = problems(tmp_path, changed)
    assert f" {key}: " in problem
    assert "has no use for it" in problem
    assert says in problem
    if not key.startswith("room"):
        assert problem.startswith(f":{text.count(chr(10)) + 1}:1 ")


@pytest.mark.parametrize(
    ("name", "old", "new", "says"),
    [
        ("workshop-reticle", "  parallel_at_um:", "  paralel_at_um:", "did you mean 'parallel_at_um'"),
        ("workshop-reticle", "{record: 500.0, u: 0.5, ", "{record: -500.0, u: 0.5, ", "must be above 0"),
        ("workshop-autocollimation", "  curvature_per_km:", "  curvature_km:", "did you mean 'curvature_per_km'"),
        (
            "workshop-autocollimation",
            "pickup_um: {record: 12, ",
            "pickup_um: {record: twelve, ",
            "'twelve' stands here",
        ),
    ],
)
def test_slips_in_the_new_sections_are_told(tmp_path: Path, name: str, old: str, new: str, says: str) -> None:
    text = text_of(name)
    assert old in text
    assert any(says in problem for problem in problems(tmp_path, text.replace(old, new)))


def test_what_is_new_is_off_its_record_by_its_u() -> None:
    """Over 200 seeds, (true - record) / u has mean 0 and deviation 1, within 4.5 of theirs."""
    for name, count in (("workshop-reticle", 3), ("workshop-autocollimation", 3)):
        tables = [still(name, seed).draws.table() for seed in range(200)]
        new = [key for key in tables[0] if key.startswith(("collimator.", "mirror.", "pickup_um"))]
        assert len(new) == count
        for key in new:
            rows = [table[key] for table in tables]
            z = np.array([(row["true"] - row["record"]) / row["u"] for row in rows])  # type: ignore[operator]
            assert abs(z.mean()) < 4.5 / sqrt(200), key
            assert abs(z.std() - 1) < 4.5 * sqrt(2 / 4 / 200), key


@pytest.mark.parametrize("name", NEW)
def test_truth_is_json_and_the_hand_has_neither_wall_nor_tape(name: str) -> None:
    world = still(name, 2)
    json.dumps(world.truth(), allow_nan=False)
    assert world.standing()["wall_mm"] is None
    wall = world.hand({"do": "set", "what": "wall_mm", "value": 4000})
    tape = world.hand({"do": "measure", "what": "tape"})
    for answer in (wall, tape):
        assert answer["ok"] is False
        assert ("mirror" if "auto" in name else "reticle") in answer["error"]
    assert "no wall" in wall["error"]
    assert "nothing to measure with a tape" in tape["error"]
    assert world.hand({"do": "remove", "what": "lens"})["ok"]
    assert world.truth()["focus_error_um"] is None
    assert world.optic() is None


def test_a_lens_of_which_nothing_would_be_seen_is_refused(tmp_path: Path) -> None:
    """f 200 before a collimator of 500 makes 4 mm of a 10 mm square; the sensor is 480 pixels of 4 um high."""
    text = text_of("workshop-reticle")
    begins = text.index("  L-0418:")
    long = text[begins : text.index("fitted:")].replace("L-0418", "long").replace("record: 49.6", "record: 200")
    path = tmp_path / "mine.yaml"
    path.write_text(text.replace("fitted:", long + "fitted:"))
    world = load_world(path, 1, 1.0, lambda: 0.0)
    assert world.hand({"do": "remove", "what": "lens"})["ok"]
    answer = world.hand({"do": "fit", "what": "lens", "id": "long"})
    assert answer["ok"] is False
    assert "4.0" in answer["error"]
    assert "sensor is 1.92 mm high" in answer["error"]
    assert world.fitting.lens is None
    path.write_text(path.read_text().replace("lens: L-0418}", "lens: long}"))
    with pytest.raises(WorldFileError, match=r"mine.yaml: fitted.lens: Lens long"):
        load_world(path, 1, 1.0, lambda: 0.0)


@pytest.mark.parametrize(
    ("name", "old", "says"),
    [
        ("workshop-reticle", "before_lens_mm: {record: 100, ", "The collimator would stand inside lens L-0418"),
        ("workshop-autocollimation", "before_lens_mm: {record: 150, ", "The mirror would stand inside lens L-0417"),
    ],
)
def test_what_would_stand_inside_the_lens_is_refused(tmp_path: Path, name: str, old: str, says: str) -> None:
    path = tmp_path / "mine.yaml"
    path.write_text(text_of(name).replace(old, "before_lens_mm: {record: -700, "))
    with pytest.raises(WorldFileError, match=says):
        load_world(path, 1, 1.0, lambda: 0.0)


@pytest.mark.parametrize("name", NEW)
def test_the_hand_is_refused_a_mark_too_near_and_the_ring_stays(name: str) -> None:
    """0.3 m are less than four focal lengths of 85 mm, the least from target to image."""
    record = shipped(name)
    lens = str(record.fitted.lens)
    focal = record.lenses[lens].focal_length_mm.model_copy(update={"record": 85.0})
    longer = {**record.lenses, lens: record.lenses[lens].model_copy(update={"focal_length_mm": focal})}
    world = World(record.model_copy(update={"lenses": longer}), 2, 1.0, lambda: 0.0)
    answer = world.hand({"do": "set", "what": "ring", "value": {"mark": 0.3}})
    assert answer["ok"] is False
    assert "too near" in answer["error"]
    assert world.room.ring == "infinity"
