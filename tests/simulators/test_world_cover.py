"""A plate over the target: the tip of a gauge rests on it, and the image behind it lies deeper."""

from __future__ import annotations

import pytest

from benchd_simulators.world import World
from benchd_simulators.world.reading import read_world
from benchd_simulators.world.schema import GapRecord, LayerRecord, Quantity, WorldRecord

COVER = LayerRecord(
    thickness_mm=Quantity(record=1.1, u=0.005, shape="triangular"),
    index=Quantity(record=1.5230, u=0.001, shape="rectangular"),
)


def covered() -> WorldRecord:
    record = read_world("workshop")
    return record.model_copy(update={"target": record.target.model_copy(update={"cover": [COVER]})})


def worlds(seed: int) -> tuple[World, World]:
    return World(read_world("workshop"), seed, 1.0, lambda: 0.0), World(covered(), seed, 1.0, lambda: 0.0)


def test_a_cover_moves_the_image_by_its_paraxial_shift_and_what_its_aberration_adds() -> None:
    bare, under = worlds(5)
    before, now = bare.truth()["now"], under.truth()["now"]
    table = under.truth()["quantities"]
    t, n = table["target.cover.0.thickness_mm"]["true"], table["target.cover.0.index"]["true"]
    assert (t, n) != (1.1, 1.5230)
    assert now["cover_um"] == pytest.approx(1000 * t * (1 - 1 / n), abs=1e-3)  # any optics text
    assert before["cover_um"] == 0.0
    # The lens is made for one plate, not two: at f/2 the second one's aberration is left, at f/16 none of it.
    assert now["peak_depth_um"] - before["peak_depth_um"] > now["cover_um"] + 0.5
    for world in (bare, under):
        assert world.hand({"do": "set", "what": "iris", "value": 16})["ok"]
    fine = [world.truth()["focus_error_um"] for world in (bare, under)]
    assert fine[1] == pytest.approx(fine[0], abs=0.15)


def test_the_tip_of_the_gauge_rests_on_the_cover() -> None:
    bare, under = worlds(5)
    readings = []
    for world in (bare, under):
        for what in ("lens", "glass", "adapter"):
            name = {"lens": "L-0417", "glass": "pane-25", "adapter": "ring-07"}[what]
            assert world.hand({"do": "remove", "what": what, "id": name})["ok"]
        world.hand({"do": "set", "what": "indicator", "value": "base"})
        readings.append(world._below_um())
    assert readings[0] is not None
    assert readings[1] is not None
    thickness = under.truth()["quantities"]["target.cover.0.thickness_mm"]["true"]
    assert readings[0] - readings[1] == pytest.approx(1000 * thickness, abs=1e-6)


def test_air_behind_a_cover_is_traced_and_moves_the_image_by_nothing() -> None:
    gap = GapRecord(air_gap_mm=Quantity(record=0.5, u=0.01))
    record = covered()
    airy = record.model_copy(update={"target": record.target.model_copy(update={"cover": [COVER, gap]})})
    under, over_air = World(record, 5, 1.0, lambda: 0.0), World(airy, 5, 1.0, lambda: 0.0)
    for key in ("cover_um", "peak_depth_um"):
        assert over_air.truth()["now"][key] == pytest.approx(under.truth()["now"][key], abs=1e-6)
    readings = []
    for world in (under, over_air):
        for what, name in (("lens", "L-0417"), ("glass", "pane-25"), ("adapter", "ring-07")):
            assert world.hand({"do": "remove", "what": what, "id": name})["ok"]
        world.hand({"do": "set", "what": "indicator", "value": "base"})
        readings.append(world._below_um())
    width = over_air.truth()["quantities"]["target.cover.1.air_gap_mm"]["true"]
    assert width != 0.5
    assert readings[0] is not None
    assert readings[1] is not None
    # The pattern stays where it is; the face on which the tip rests comes nearer by the width of the gap.
    assert readings[0] - readings[1] == pytest.approx(1000 * width, abs=1e-6)


def test_without_a_cover_every_seed_keeps_its_meaning() -> None:
    bare, under = worlds(21)
    first, other = bare.truth()["quantities"], under.truth()["quantities"]
    assert not [name for name in first if "cover" in name]
    assert {name: one for name, one in other.items() if "cover" not in name} == first
