"""Draws, fittings, hand and truth of the world."""

import json
from functools import lru_cache
from math import sqrt

import numpy as np
import pytest

from benchd_simulators.world import World
from benchd_simulators.world.drawing import SHAPES, Draws, Shape, unit_draw
from benchd_simulators.world.reading import read_world

shipped = lru_cache(read_world)
"""What a world's file holds cannot be changed, so that hundreds of benches are drawn from one reading of it."""


def still(name: str, seed: int) -> World:
    return World(shipped(name), seed, 1.0, lambda: 0.0)


def do(world: World, act: str, what: str, **rest: object) -> dict[str, object]:
    """A hand command that must succeed."""
    answer = world.hand({"do": act, "what": what, **rest})
    assert answer["ok"], answer
    return answer


def error(world: World, lp_mm: float = 40.0) -> float:
    value = world.truth(lp_mm)["focus_error_um"]
    assert isinstance(value, float)
    return value


@pytest.mark.published
@pytest.mark.parametrize("shape", SHAPES)
def test_shapes_have_unit_deviation_and_their_limits(shape: Shape) -> None:
    """JCGM 100, 4.3.7 and 4.3.9: half-width sqrt 3, sqrt 6 for rectangle and triangle; arcsine a / sqrt 2."""
    rng = np.random.default_rng(8)
    draws = np.array([unit_draw(rng, shape) for _ in range(20_000)])
    kurtosis = {"normal": 3.0, "rectangular": 1.8, "triangular": 2.4, "arcsine": 1.5}[shape]
    assert abs(draws.mean()) < 4 / sqrt(20_000)
    assert draws.std() == pytest.approx(1, abs=4 * sqrt((kurtosis - 1) / 4 / 20_000))
    assert np.mean(draws**4) / np.mean(draws**2) ** 2 == pytest.approx(kurtosis, abs=0.12)
    half = {"normal": 6.0, "rectangular": sqrt(3), "triangular": sqrt(6), "arcsine": sqrt(2)}[shape]
    assert np.abs(draws).max() < half


def test_every_quantity_is_off_its_record_by_its_u() -> None:
    """Over 200 seeds, each quantity's (true - record) / u has mean 0 and deviation 1, within 4.5 of theirs."""
    n = 200
    tables = [still("workshop", seed).truth()["quantities"] for seed in range(n)]
    for name, first in tables[0].items():
        if first["u"] == 0:
            continue
        z = np.array([(table[name]["true"] - table[name]["record"]) / table[name]["u"] for table in tables])
        assert abs(z.mean()) < 4.5 / sqrt(n), name
        assert abs(z.std() - 1) < 4.5 * sqrt(2 / 4 / n), name
        assert len(set(z)) == n, name
    named = set(tables[0])
    needed = {"base.depth_um", "adapter.ring-07.length_um", "joint.1", "joint.2", "encoder.scale", "room.temperature_C"}
    needed |= {
        "room.distance_mm",
        "lens.L-0417.focal_length_mm",
        "lens.L-0417.principal_gap_mm",
        "glass.pane-25.0.index",
    }
    needed |= {"glass.pane-25.0.thickness_mm", "base.alpha_per_K", "adapter.ring-07.alpha_per_K", "target.side_mm"}
    assert needed <= named


def test_draws_do_not_depend_on_order_and_differ_by_name() -> None:
    one, two = Draws(7), Draws(7)
    a = one.quantity("a", 0.0, 1.0, "normal")
    b = one.quantity("b", 0.0, 1.0, "normal")
    assert (two.quantity("b", 0.0, 1.0, "normal"), two.quantity("a", 0.0, 1.0, "normal")) == (b, a)
    assert a != b
    assert Draws(8).quantity("a", 0.0, 1.0, "normal") != a
    assert one.quantity("c", 5.0, 2.0, "normal", stream="a") == pytest.approx(5 + 2 * a)


def test_seed_decides_everything() -> None:
    one, two = still("workshop", 21), still("workshop", 21)
    assert one.truth() == two.truth()
    assert one.camera.expose(10.0) == two.camera.expose(10.0)
    assert one.indicator_um() == two.indicator_um()
    assert one.encoder_um() == two.encoder_um()
    assert still("workshop", 22).truth()["focus_error_um"] != one.truth()["focus_error_um"]


def test_truth_is_json() -> None:
    for name in ("workshop", "workshop-collimated"):
        text = json.dumps(still(name, 2).truth(), allow_nan=False)
        assert json.loads(text)["quantities"]["base.depth_um"]["record"] == 24000


def test_both_worlds_hold_the_same_lens() -> None:
    """The wall's conjugate is taken off exactly, so the same lens has the same error with a collimator."""
    for seed in range(5):
        assert error(still("workshop", seed)) == pytest.approx(error(still("workshop-collimated", seed)), abs=1e-3)


def test_depth_is_the_sum_of_the_chain() -> None:
    world = still("workshop", 31)
    truth = world.truth()
    table, delta = truth["quantities"], truth["now"]["temperature_C"] - 20.0
    base = table["base.depth_um"]["true"] * (1 + table["base.alpha_per_K"]["true"] * delta)
    ring = table["adapter.ring-07.length_um"]["true"] * (1 + table["adapter.ring-07.alpha_per_K"]["true"] * delta)
    joints = sum(table[f"{what}.{one}"]["true"] for what in ("joint", "stand_off") for one in (1, 2))
    # What rests on the ring finds other points than the bridge's feet; 420 g pull the seat away.
    gives = table["adapter.ring-07.wedge_um"]["true"] + table["base.sag_um_per_N"]["true"] * 0.42 * 9.80665
    parts = base + ring + joints + gives + truth["now"]["carriage_um"]
    assert truth["now"]["depth_um"] == pytest.approx(parts, abs=1e-6)
    assert 0.0 < truth["now"]["sag_um"] < 0.06 * 0.42 * 9.81
    assert all(0.0 <= one <= 0.4 for one in truth["now"]["stand_offs_um"])


def test_uneven_seats_count_under_a_lens_and_not_under_the_bridge() -> None:
    world = still("workshop", 31)
    do(world, "remove", "lens")
    bare = world.fitting.gives_um() - sum(world.fitting.joints) - sum(world.fitting.stand_offs)
    assert bare == pytest.approx(0.0, abs=1e-12)


def test_errors_of_twenty_seeds_ask_for_every_verdict() -> None:
    """Inside +-10, outside, and nearer to a limit than a bench of this kind can tell."""
    errors = np.abs([error(still("workshop", seed)) for seed in range(1, 21)])
    assert np.sum(errors < 5) >= 3
    assert np.sum(errors > 16) >= 3
    assert np.sum(np.abs(errors - 10) < 3) >= 2


def test_a_shim_lowers_the_error_by_its_thickness() -> None:
    world = still("workshop", 41)
    before = error(world)
    answer = do(world, "fit", "shim", id="50")
    assert answer["shims_um"] == [50, 50]
    assert before - error(world) == pytest.approx(50, abs=0.3 * sqrt(3) + 0.01)
    do(world, "remove", "shim", id="50")
    assert error(world) == pytest.approx(before, abs=1e-6)


def test_each_fitting_draws_its_joint_anew() -> None:
    joints = []
    for seed in range(60):
        world = still("workshop", seed)
        for _ in range(4):
            do(world, "remove", "lens")
            do(world, "fit", "lens", id="L-0417")
            joints.append(world.truth()["now"]["joints_um"])
    array = np.array(joints)
    assert (array[::4, 0] == array[3::4, 0]).all()  # the adapter was not touched
    lens = array[:, 1]
    assert len(set(lens)) == len(lens)
    assert lens.std() == pytest.approx(0.7, abs=4.5 * 0.7 * sqrt(1.4 / 4 / len(lens)))


def test_error_survives_what_is_no_part_of_the_lens() -> None:
    """Joints, temperature and another wall move depths, not the error."""
    world = still("workshop", 43)
    before = error(world)
    do(world, "remove", "lens")
    do(world, "fit", "lens", id="L-0417")
    do(world, "set", "temperature", value=25)
    assert error(world) == pytest.approx(before, abs=1e-6)
    conjugate = world.truth()["now"]["conjugate_um"]
    do(world, "set", "wall_mm", value=4000)
    assert error(world) == pytest.approx(before, abs=1e-3)
    assert world.truth()["now"]["conjugate_um"] > conjugate * 1.2
    do(world, "set", "ring", value={"mark": 4})
    assert abs(world.truth()["now"]["conjugate_um"]) < 3  # the tape's error alone: the wall stands at the mark
    do(world, "set", "ring", value="free")
    assert world.truth()["now"]["conjugate_um"] == 0


def test_what_the_ring_is_off_by_at_its_stop_or_at_a_mark_is_part_of_the_error() -> None:
    """The error is that of the ring's place as engraved: whoever sets the ring to it gets just that picture."""
    world = still("workshop", 43)
    table, before = world.truth()["quantities"], error(world)
    do(world, "set", "ring", value="hard_stop")
    assert error(world) - before == pytest.approx(table["lens.L-0417.stop_overrun_um"]["true"], abs=1e-3)
    do(world, "set", "ring", value={"mark": 2})
    f, gap, ratio = (
        table[f"lens.L-0417.{key}"]["true"] for key in ("focal_length_mm", "principal_gap_mm", "mark_ratio")
    )

    def image_mm(distance_mm: float) -> float:
        """Gauss: 1/a + 1/b = 1/f with a + b the distance from target to wall less the gap."""
        both = distance_mm - gap
        return float(both - sqrt(both**2 - 4 * both * f)) / 2

    off = 1000 * (image_mm(2000.0) - image_mm(2000.0 * ratio))
    assert abs(off) > 5
    assert error(world) - before == pytest.approx(off, abs=2e-3)


def test_glass_in_with_a_lens_made_for_it_leaves_the_error() -> None:
    """L-0418 bare equals L-0417 with its glass; L-0417 bare is corrected for a plate that it lacks."""
    world = still("workshop", 44)
    made = error(world)
    do(world, "remove", "glass", id="pane-25")
    bare = error(world)
    do(world, "remove", "lens")
    do(world, "fit", "lens", id="L-0418")
    assert error(world) == pytest.approx(made, abs=0.3)
    # the plate's third-order aberration by Welford's formula; best focus lies between paraxial and marginal
    marginal = 2498 * (1.523**2 - 1) * 0.25**2 / (2 * 1.523**3)
    assert 0.3 * marginal < made - bare < 0.9 * marginal


def test_stopping_down_moves_the_peak_to_the_paraxial_focus() -> None:
    world = still("workshop-collimated", 45)
    do(world, "set", "iris", value=16)
    table = world.truth()["quantities"]
    shims = table["shim.L-0417.0"]["true"]
    paraxial = table["lens.L-0417.flange_error_um"]["true"] + 50 - shims
    assert error(world) == pytest.approx(paraxial, abs=1.0)


def test_tape_and_thermometer() -> None:
    ratios, walls = [], []
    for seed in range(120):
        world = still("workshop", seed)
        answer = do(world, "measure", "tape")
        m = answer["m"]
        assert isinstance(m, dict)
        now = world.truth()["now"]
        ratios.append((m["value"] - now["magnification"]) / m["u"])
        walls.append((answer["distance_mm"] - now["distance_mm"]) / 3.0)
        assert do(world, "measure", "tape") == answer
        assert do(world, "measure", "thermometer")["temperature_C"] == 21.5
    for z in (np.array(ratios), np.array(walls)):
        assert abs(z.mean()) < 4.5 / sqrt(120)
        assert z.std() == pytest.approx(1, abs=4.5 * sqrt(2 / 4 / 120))


@pytest.mark.parametrize(
    ("command", "sentence"),
    [
        ({"do": "fit", "what": "lens", "id": "L-0418"}, "take it off first"),
        ({"do": "fit", "what": "adapter", "id": "gap-03"}, "Lens L-0417 is on the bench"),
        ({"do": "fit", "what": "adapter", "id": "ring-99"}, "There is no adapter ring-99"),
        ({"do": "remove", "what": "glass", "id": "pane-99"}, "is not fitted"),
        ({"do": "fit", "what": "shim", "id": "13"}, "no shim of 13 µm"),
        ({"do": "remove", "what": "shim", "id": "20"}, "no shim of 20 µm under it"),
        ({"do": "fit", "what": "shim", "id": "thick"}, "needs a number"),
        ({"do": "fit", "what": "lens"}, "the id is missing"),
        ({"do": "fit", "what": "camera", "id": "x"}, "cannot fit 'camera'"),
        ({"do": "paint", "what": "wall_mm"}, "cannot 'paint'"),
        ({"do": "set", "what": "iris", "value": 1.4}, "goes from 2 to 32"),
        ({"do": "set", "what": "iris", "value": float("nan")}, "needs a number"),
        ({"do": "set", "what": "ring", "value": "somewhere"}, "The ring goes to"),
        ({"do": "set", "what": "wall_mm", "value": 20}, "300 to 100000"),
        ({"do": "set", "what": "temperature", "value": 400}, "-10 to 50"),
        ({"do": "set", "what": "iris", "value": 2, "colour": "red"}, "does not know colour"),
    ],
)
def test_wrong_hands_are_told_in_a_sentence(command: dict[str, object], sentence: str) -> None:
    world = still("workshop", 1)
    before = world.truth()
    answer = world.hand(command)
    assert answer["ok"] is False
    assert sentence in answer["error"]
    assert world.truth() == before


def test_seats_must_mate_and_come_off_in_order() -> None:
    world = still("workshop", 1)
    do(world, "remove", "lens", id="L-0417")
    assert "Glass pane-25 sits in" in world.hand({"do": "remove", "what": "adapter", "id": "ring-07"})["error"]
    do(world, "remove", "glass", id="pane-25")
    assert "rests on rail" in world.hand({"do": "fit", "what": "adapter", "id": "gap-03"})["error"]
    do(world, "remove", "adapter", id="ring-07")
    assert "has mount m50" in world.hand({"do": "fit", "what": "lens", "id": "L-0417"})["error"]
    assert "fits ring-07" in world.hand({"do": "fit", "what": "glass", "id": "pane-25"})["error"]
    do(world, "fit", "adapter", id="gap-03")
    do(world, "fit", "adapter", id="gap-04")
    do(world, "fit", "adapter", id="ring-07")
    assert "stands on gap-04" in world.hand({"do": "remove", "what": "adapter", "id": "gap-04"})["error"]
    assert do(world, "fit", "lens", id="L-0417")["adapters"] == ["gap-03", "gap-04", "ring-07"]
    assert len(world.truth()["now"]["joints_um"]) == 4


def test_collimated_bench_has_no_wall() -> None:
    world = still("workshop-collimated", 1)
    assert not world.hand({"do": "set", "what": "wall_mm", "value": 4000})["ok"]
    assert not world.hand({"do": "measure", "what": "tape"})["ok"]


def test_light_of_a_collimator_is_not_quite_parallel() -> None:
    for seed in range(4):
        world = still("workshop-collimated", seed)
        table = world.truth()["quantities"]
        vergence = table["room.vergence_per_m"]
        assert (vergence["record"], vergence["u"]) == (0.0, 4e-4)
        # A distant object at 1/V metres is imaged f^2 V beyond the focus (Newton, V f being some 1e-5).
        f = table["lens.L-0417.focal_length_mm"]["true"] / 1000
        shift = world.truth()["now"]["conjugate_um"]
        assert shift == pytest.approx(1e6 * f * f * vergence["true"], rel=1e-3)
        assert shift != 0.0
