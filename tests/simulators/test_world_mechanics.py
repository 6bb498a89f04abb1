"""Motor, carriage, encoder and indicator of the world."""

import numpy as np
import pytest

from benchd_simulators.world import HandRefused, World, load_world
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.indicator import Indicator
from benchd_simulators.world.reading import read_world
from benchd_simulators.world.schema import AbbeRecord
from benchd_simulators.world.tilt import Tilt


class Time:
    """A clock that a test turns."""

    def __init__(self) -> None:
        self.t = 0.0

    def __call__(self) -> float:
        return self.t


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture
def world(time: Time) -> World:
    return load_world("workshop", 11, 1.0, time)


def drive(world: World, time: Time, to_um: float, speed_um_s: float = 4000.0) -> None:
    """To a place of the motor and a second of rest."""
    world.motor.start(to_um, speed_um_s)
    time.t = world.motor.rest_t / world.pace + 1.0


def reference(world: World, time: Time) -> None:
    """Below the mark and back to a few hundred um above it."""
    drive(world, time, world.motor.position_um - world.carriage_um - 300)
    drive(world, time, world.motor.position_um + 800)


def test_trapezoid_takes_the_time_of_its_formula(world: World, time: Time) -> None:
    """d / v + v / a for a long move, 2 sqrt(d / a) for one that never reaches the speed."""
    world.motor.start(4000.0, 2000.0)
    assert world.motor.rest_t == pytest.approx(4000 / 2000 + 2000 / 20000)
    time.t = 1.0
    assert world.motor.moving
    assert world.motor.speed_um_s == pytest.approx(2000)
    assert world.motor.position_um == pytest.approx(2000 - 2000**2 / (2 * 20000))
    time.t = 5.0
    assert world.motor.position_um == pytest.approx(4000)
    assert not world.motor.moving
    world.motor.start(3900.0, 4000.0)
    assert world.motor.rest_t - 5.0 == pytest.approx(2 * (100 / 20000) ** 0.5)


def test_speed_and_place_never_jump(world: World, time: Time) -> None:
    """Through a change of mind at speed, a hold and a resume, steps stay inside what the acceleration allows."""
    rng = np.random.default_rng(2)
    before, speed = world.motor.position_um, 0.0
    for i in range(4000):
        if i % 97 == 0:
            world.motor.start(float(rng.uniform(-5000, 5000)), float(rng.uniform(100, 4000)))
        elif i % 97 == 40:
            world.motor.hold()
        elif i % 97 == 60:
            world.motor.resume()
        time.t += 0.002
        here, now = world.motor.position_um, world.motor.speed_um_s
        assert abs(now - speed) <= 20000 * 0.002 + 1e-6
        assert abs(here - before - (now + speed) / 2 * 0.002) <= 20000 * 0.002**2 / 2 + 1e-6
        before, speed = here, now


def test_hold_resume_cancel_abort_zero(world: World, time: Time) -> None:
    world.motor.start(8000.0, 4000.0)
    time.t = 1.0
    at = world.motor.position_um
    world.motor.hold()
    time.t = 2.0
    assert world.motor.position_um - at == pytest.approx(4000**2 / (2 * 20000))
    world.motor.resume()
    time.t = 10.0
    assert world.motor.position_um == pytest.approx(8000)
    world.motor.start(0.0, 4000.0)
    time.t = 10.5
    world.motor.cancel()
    time.t = 11.0
    rest = world.motor.position_um
    world.motor.resume()
    time.t = 20.0
    assert world.motor.position_um == rest
    world.motor.zero()
    assert world.motor.position_um == 0.0
    world.motor.start(1000.0, 1000.0)
    time.t = 20.5
    world.motor.abort()
    assert not world.motor.moving


def test_pace_quickens_motion(time: Time) -> None:
    world = load_world("workshop", 11, 5.0, time)
    world.motor.start(4000.0, 2000.0)
    time.t = 2.1 / 5 - 0.001
    assert world.motor.moving
    time.t = 2.1 / 5 + 0.001
    assert not world.motor.moving


def test_backlash_is_lost_on_reversal_only(world: World, time: Time) -> None:
    drive(world, time, 500.0)
    up = world.carriage_um
    drive(world, time, 600.0)
    drive(world, time, 500.0)
    assert world.carriage_um - up == pytest.approx(6.0, abs=0.05)
    drive(world, time, 400.0)
    drive(world, time, 500.0)
    assert world.carriage_um - up == pytest.approx(0.0, abs=0.05)


def test_carriage_rings_after_a_move(world: World, time: Time) -> None:
    world.motor.start(1000.0, 4000.0)
    ends = world.motor.rest_t
    time.t = ends + 2.0
    still = world.carriage_um
    seen = []
    for ms in range(60):
        time.t = ends + ms / 1000
        seen.append(world.carriage_um - still)
    assert 1.0 < max(np.abs(seen)) < 4.0
    time.t = ends + 0.150
    assert abs(world.carriage_um - still) < 0.05


def test_home_switch_scatters_and_hard_stop_loses_steps(world: World, time: Time) -> None:
    trips = []
    for _ in range(8):
        while not world.limit_switch:
            step = 1.0 if world.carriage_um < -1460 else world.carriage_um + 1461
            drive(world, time, world.motor.position_um - step)
        trips.append(world.carriage_um)
        drive(world, time, world.motor.position_um + 200)
        assert not world.limit_switch
    assert 0.5 < float(np.std(trips)) < 12
    assert np.mean(trips) == pytest.approx(-1500, abs=8)
    drive(world, time, world.motor.position_um - 2000)
    assert world.carriage_um == pytest.approx(-1950, abs=5)
    drive(world, time, world.motor.position_um + 500)
    assert world.carriage_um == pytest.approx(-1450, abs=12)
    drive(world, time, world.motor.position_um + 40_000)  # against the far stop
    assert world.end_switch


def test_encoder_counts_from_power_up_until_the_mark(world: World, time: Time) -> None:
    start = world.carriage_um
    assert abs(world.encoder_um()) < 0.2
    drive(world, time, -1000.0)
    assert not world.encoder_reference_seen
    assert world.encoder_um() == pytest.approx(world.carriage_um - start, abs=0.6)
    reference(world, time)
    assert world.encoder_reference_seen
    assert world.encoder_um() == pytest.approx(world.carriage_um, abs=0.4)


def test_mark_is_seen_though_nobody_reads(world: World, time: Time) -> None:
    """Down through the mark and up again between two readings."""
    here = world.carriage_um
    drive(world, time, -here - 200)
    drive(world, time, 0.0)
    assert world.encoder_reference_seen


def test_subdivision_scale_and_resolution(world: World, time: Time) -> None:
    reference(world, time)
    errors, scale = [], world.truth()["quantities"]["encoder.scale"]["true"]
    delta = world.room.delta_K
    growth = world.encoder.alpha_per_K * delta
    for _ in range(120):
        drive(world, time, world.motor.position_um + 3.7)
        reading = world.encoder_um()
        assert reading / 0.05 == pytest.approx(round(reading / 0.05), abs=1e-6)
        errors.append(reading - world.carriage_um / (1 + scale) / (1 + growth))
    errors = np.array(errors) - np.mean(errors)
    # arcsine of amplitude 0.15: sd 0.106; noise 0.02 and counts 0.014 beside it
    assert float(np.std(errors)) == pytest.approx(0.15 / 2**0.5, rel=0.12)
    assert float(np.abs(errors).max()) < 0.15 + 0.12


def test_indicator_measures_depth_by_difference() -> None:
    """Ring + (r1 - r0) is the depth below the face, within remounting scatter, hysteresis and gain."""
    worst = []
    for seed in range(12):
        time = Time()
        world = load_world("workshop", 100 + seed, 1.0, time)
        assert world.hand({"do": "remove", "what": "lens"})["ok"]
        assert world.hand({"do": "remove", "what": "glass", "id": "pane-25"})["ok"]
        assert world.hand({"do": "set", "what": "indicator", "value": "collar-45"})["ok"]
        ring = world._below_um()
        assert ring is not None
        r0 = world.indicator_um()
        assert abs(r0) < 200
        assert world.hand({"do": "set", "what": "indicator", "value": "adapter"})["ok"]
        drive(world, time, world.motor.position_um + ring + 50 - world.depth_um())
        worst.append(ring + world.indicator_um() - r0 - world.depth_um())
    # remounting 0.3 twice, hysteresis 0.15 twice either way, gain 0.001 of up to 200, noise
    assert np.abs(worst).max() < 1.8
    assert 0.15 < np.std(worst) < 1.0


def test_a_tip_comes_to_each_kind_of_place_from_either_side_and_always_the_same() -> None:
    """It always came from fully out, so that the hysteresis of a calibration cancelled whatever it was."""
    record = read_world("workshop").indicator.model_copy(update={"hysteresis_um": 40.0, "remount_um": 0.0})
    from_out = {"ring": 0, "base": 0, "adapter": 0}
    for seed in range(60):
        draws = Draws(seed)
        indicator = Indicator(record, draws, lambda: 0.0)
        probe, gain = (float(str(draws.table()[f"indicator.{key}"]["true"])) for key in ("probe_um", "gain"))
        for where in from_out:
            told = []
            for _ in range(3):
                indicator.place(where)
                told.append(indicator.read_um(probe) / gain)
            assert np.abs(told) == pytest.approx(20.0, abs=1.0)
            assert len(set(np.sign(told))) == 1
            from_out[where] += int(told[0] > 0)
    assert all(15 <= count <= 45 for count in from_out.values()), "30 of 60, within 4 standard deviations"


def test_a_scale_beside_the_axis_runs_ahead_as_the_carriage_tips() -> None:
    """Between no two places by more than distance times angle, and over many benches by a fair part of that."""
    record = AbbeRecord(up_mm=5, side_mm=0, pitch_arcmin=0.4, yaw_arcmin=9.0)
    most = 5 * 0.4 * 0.290888
    spans = []
    for seed in range(40):
        tilt = Tilt(record, Draws(seed))
        ahead = [tilt.ahead_um(place) for place in np.linspace(0.0, 30_000.0, 301)]
        assert ahead[0] == 0.0
        spans.append(max(ahead) - min(ahead))
    assert max(spans) <= most
    assert np.mean(spans) > 0.6 * most
    assert Tilt(None, Draws(1)).ahead_um(9000.0) == 0.0


def test_indicator_range_hysteresis_and_places(world: World, time: Time) -> None:
    assert world.indicator_um() == 999.9
    for place, word in (("base", "Lens"), ("adapter", "Lens"), ("nowhere", "can stand at")):
        answer = world.hand({"do": "set", "what": "indicator", "value": place})
        assert not answer["ok"]
        assert word in answer["error"]
    world.hand({"do": "remove", "what": "lens"})
    assert "Glass" in world.hand({"do": "set", "what": "indicator", "value": "adapter"})["error"]
    world.hand({"do": "remove", "what": "glass", "id": "pane-25"})
    assert world.hand({"do": "set", "what": "indicator", "value": "adapter"})["ok"]
    assert "bridge" in world.hand({"do": "fit", "what": "lens", "id": "L-0417"})["error"]
    probe = world.truth()["quantities"]["indicator.probe_um"]["true"]
    drive(world, time, world.motor.position_um + probe - 800 - world.depth_um())
    assert world.indicator_um() == -999.9
    drive(world, time, world.motor.position_um + 800)
    up = world.indicator_um()
    up_depth = world.depth_um()
    drive(world, time, world.motor.position_um + 100)
    drive(world, time, world.motor.position_um - 100)
    lag = (world.indicator_um() - up) - (world.depth_um() - up_depth)
    assert lag == pytest.approx(0.3, abs=0.45)


def test_faults(world: World, time: Time) -> None:
    reference(world, time)
    drive(world, time, world.motor.position_um + 100)
    lag = world.motor.position_um - world.carriage_um
    world.fault("lose_steps", 40)
    drive(world, time, world.motor.position_um + 500)
    assert world.motor.position_um - world.carriage_um - lag == pytest.approx(40, abs=6)
    world.fault("stall", True)
    before = world.carriage_um
    drive(world, time, world.motor.position_um + 500)
    assert world.carriage_um == before
    world.fault("stall", False)
    drive(world, time, world.motor.position_um + 100)
    assert world.carriage_um == pytest.approx(before + 100, abs=3)
    world.fault("push", -25)
    assert world.carriage_um == pytest.approx(before + 75, abs=3)
    world.fault("encoder_frozen", True)
    frozen = world.encoder_um()
    drive(world, time, world.motor.position_um + 300)
    assert world.encoder_um() == frozen
    world.fault("encoder_frozen", False)
    here = world.encoder_um()
    assert here - frozen == pytest.approx(300, abs=3)
    world.fault("encoder_reversed", True)
    drive(world, time, world.motor.position_um + 100)
    assert world.encoder_um() - here == pytest.approx(-100, abs=3)
    world.fault("encoder_reversed", False)
    world.fault("encoder_jump", 33)
    assert world.encoder_um() - here == pytest.approx(133, abs=3)
    assert not world.limit_switch
    world.fault("switch_stuck", True)
    assert world.limit_switch
    world.fault("switch_never", True)
    drive(world, time, world.motor.position_um - 10_000)
    assert not world.limit_switch
    with pytest.raises(HandRefused, match="no fault 'gremlin'"):
        world.fault("gremlin", 1)


def test_overload_loses_steps(world: World, time: Time) -> None:
    before = world.carriage_um
    drive(world, time, world.motor.position_um + 6000, 12_000.0)
    assert world.carriage_um - before < 6000 - 500


# The garage


@pytest.fixture
def garage(time: Time) -> World:
    return load_world("garage", 3, 1.0, time)


def places(world: World, time: Time, to_um: float, way_um: float, times: int) -> list[float]:
    """Where the carriage truly comes to stand, each time from so far off."""
    stood = []
    for _ in range(times):
        drive(world, time, to_um - way_um)
        drive(world, time, to_um)
        stood.append(world.carriage_um)
    return stood


def test_the_garage_loses_its_play_on_reversal_and_scatters_a_little(garage: World, time: Time) -> None:
    below, above = (places(garage, time, 5000.0, way, 40) for way in (300.0, -300.0))
    assert np.mean(above) - np.mean(below) == pytest.approx(20.0, abs=1.5)
    assert 0.3 < np.std(below, ddof=1) < 1.5, "half of the play's scatter, 0.75 um"


def test_what_does_not_stand_in_the_garage_cannot_be_read(garage: World, world: World) -> None:
    assert not garage.has_encoder
    with pytest.raises(HandRefused, match="no encoder"):
        garage.encoder_um()
    with pytest.raises(HandRefused, match="no encoder"):
        garage.fault("encoder_power_up")
    assert not world.has_dial
    with pytest.raises(HandRefused, match="no gauge on the carriage"):
        world.dial_um()


def test_the_gauge_on_the_carriage_follows_it_late_and_ends_with_its_range(garage: World, time: Time) -> None:
    dial = garage.record.dial
    assert dial is not None
    off = []
    for way in (300.0, -300.0):
        stood = places(garage, time, 5000.0, way, 1)[0]
        off.append(np.mean([garage.dial_um() for _ in range(60)]) - stood)
    assert off[1] - off[0] == pytest.approx(dial.hysteresis_um, abs=0.5)
    drive(garage, time, 30000.0)
    assert garage.dial_um() == dial.range_um + dial.resolution_um
