"""The truth of the worlds with a reticle and with a mirror, against scans of what their pictures are made with."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import pytest

from benchd_simulators.world import World, read_world

LP_MM = 40.0
shipped = lru_cache(read_world)


def still(name: str, seed: int) -> World:
    return World(shipped(name), seed, 1.0, lambda: 0.0)


def scanned_um(world: World, about_um: float, reach_um: float) -> float:
    """Where on the carriage the transfer function that pictures are made with is highest, noise-free."""
    places = np.linspace(about_um - reach_um, about_um + reach_um, 41)
    merit = []
    for place in places:
        world.carriage.push(float(place) - world.carriage_um)
        world.carriage.push(float(place) - world.carriage_um)  # its screw is not even
        scene = world.view.scene()
        assert scene.optic is not None
        merit.append(float(scene.optic.otf(np.array([LP_MM]), scene.depth_um)[0]))
    t = (places - about_um) / reach_um
    curve = np.polynomial.Polynomial.fit(t, merit, 8)
    fine = np.linspace(-1, 1, 20_001)
    return float(about_um + reach_um * fine[np.argmax(curve(fine))])


def trues(world: World) -> dict[str, float]:
    return {name: float(one["true"]) for name, one in world.truth()["quantities"].items()}


def now(world: World) -> dict[str, Any]:
    found: dict[str, Any] = world.truth()["now"]
    return found


@pytest.mark.parametrize("seed", range(1, 5))
def test_truth_with_a_reticle_is_what_a_scan_finds(seed: int) -> None:
    """e = D - flange - glass - cover + what Newton has the reticle at the peak move the image by."""
    world = still("workshop-reticle", seed)
    at = now(world)["peak_carriage_um"]
    found = scanned_um(world, at + 200, 900.0)
    assert found == pytest.approx(at, abs=10.0)  # a tenth of a micrometre on the sensor's side
    true, told = trues(world), now(world)
    r, fc = found - true["collimator.parallel_at_um"], 1000 * true["collimator.focal_length_mm"]
    f, d = 1000 * true["lens.L-0418.focal_length_mm"], 1000 * true["collimator.before_lens_mm"]
    cover = 1000 * true["target.cover.0.thickness_mm"] * (1 - 1 / true["target.cover.0.index"])
    error = told["depth_um"] - 50_000 - cover + (f / fc) ** 2 * r / (1 - d * r / fc**2)
    assert world.truth()["focus_error_um"] == pytest.approx(error, abs=0.1)
    assert told["reticle_um"] == pytest.approx(told["carriage_um"] - true["collimator.parallel_at_um"])


@pytest.mark.parametrize("seed", range(1, 5))
def test_truth_with_a_mirror_is_what_a_scan_finds_less_pickup_and_mirror(seed: int) -> None:
    world = still("workshop-autocollimation", seed)
    at = now(world)["peak_carriage_um"]
    found = scanned_um(world, at + 2, 8.0)
    assert found == pytest.approx(at, abs=0.1)
    true, told = trues(world), now(world)
    bent = (1000 * true["lens.L-0417.focal_length_mm"]) ** 2 * true["mirror.curvature_per_km"] * 1e-9
    depth = told["depth_um"] + found - told["carriage_um"]
    error = depth - told["glass_um"] - 50_000 + true["pickup_um"] / 2 - bent
    assert world.truth()["focus_error_um"] == pytest.approx(error, abs=0.1)
    assert told["pickup_um"] == true["pickup_um"]


@pytest.mark.parametrize(("name", "fitted"), [("workshop-reticle", "L-0418"), ("workshop-autocollimation", "L-0417")])
def test_same_lens_has_the_same_error_stopped_down(name: str, fitted: str) -> None:
    """Without spherical what is measured is the paraxial focus, in every arrangement; so with the ring elsewhere."""
    worlds = [still(one, 6) for one in (name, "workshop-collimated")]
    for command in (
        {"do": "remove", "what": "lens"},
        {"do": "fit", "what": "lens", "id": fitted},
        {"do": "set", "what": "iris", "value": 16},
    ):
        assert all(world.hand(command)["ok"] for world in worlds)
    overrun = trues(worlds[0])[f"lens.{fitted}.stop_overrun_um"]
    before = worlds[0].truth()["focus_error_um"]
    for ring in ("infinity", "hard_stop", {"mark": 3}):
        assert all(world.hand({"do": "set", "what": "ring", "value": ring})["ok"] for world in worlds)
        one, other = (world.truth() for world in worlds)
        assert one["focus_error_um"] == pytest.approx(other["focus_error_um"], abs=0.2)
        vergence = 1e-6 * trues(worlds[1])["room.vergence_per_m"] * worlds[1].optic().focal_um ** 2  # type: ignore[union-attr]
        assert one["now"]["conjugate_um"] == pytest.approx(other["now"]["conjugate_um"] - vergence, abs=1e-3)
        if ring == "hard_stop":
            assert one["focus_error_um"] - before == pytest.approx(overrun, abs=1e-3)


@pytest.mark.parametrize("name", ["workshop-reticle", "workshop-autocollimation"])
def test_square_has_the_size_that_its_way_gives_it(name: str) -> None:
    """f / fc of the reticle's side (Newton: parallel light between two lenses), or the pattern's own."""
    world = still(name, 2)
    told, true = now(world), trues(world)
    world.carriage.push(told["peak_carriage_um"] - told["carriage_um"])
    world.lamp.set_level(0.4)
    scene = world.view.scene()
    side_um = 1000 * true["target.side_mm"]
    if name == "workshop-reticle":
        side_um *= true["lens.L-0418.focal_length_mm"] / true["collimator.focal_length_mm"]
    assert scene.side_um == pytest.approx(side_um, rel=2e-3)
    levels = world.camera.levels(world.camera.look(), 20.0, 1.0).astype(float)
    bright = np.median(levels)
    dark_px = float(np.sum(levels < (bright + 500) / 2))
    assert dark_px**0.5 * world.camera.pixel_um == pytest.approx(side_um, rel=0.01)


@pytest.mark.parametrize(
    ("name", "error_um", "depth_um", "conjugate_um"),
    [
        ("workshop", 2.5027765, 49150.3231956, 507.9751709),
        ("workshop-collimated", 2.5027765, 49150.3231956, -0.4922429),
    ],
)
def test_worlds_that_were_there_before_are_what_they_were(
    name: str, error_um: float, depth_um: float, conjugate_um: float
) -> None:
    """Noted before there were arrangements of their own; no source but that."""
    told = still(name, 3).truth()
    assert told["focus_error_um"] == pytest.approx(error_um, abs=1e-6)
    assert told["now"]["depth_um"] == pytest.approx(depth_um, abs=1e-6)
    assert told["now"]["conjugate_um"] == pytest.approx(conjugate_um, abs=1e-6)
