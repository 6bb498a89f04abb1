"""A meter behind a slit: the dark taken off, the lamp's drift as well, and what is refused instead of read.

Case, light and meters are those of the accuracy study: a lens of the simulators' optics, passed twice, and the daemon's
own sweeper and detector.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError
from ruamel.yaml import YAML

from benchd.bench.assembly import build
from benchd.detectors.meter.keys import MeterKeys
from benchd.detectors.meter.light import Dark, LampTrace, Level, Noise, Readings, level_of
from benchd.errors import BenchdError, Refused
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from benchd.metrology.distribution import coverage_factor
from study_meter import REFERENCE, Photodiode, fitted, swept
from tests.bench.datum.wall_chain import CONFIGS

QUIET = replace(REFERENCE, noise=1e-4, shot=1e-4, flicker=0.0, drift=0.0, repeats=1)
KEYS = {"slit_um": 25.0, "u_slit_um": 0.3, "settle_ms": 5.0, "full_scale": 10.0}


def off(of: Photodiode, seed: int = 1, **changed: Any) -> tuple[float, float]:
    """How far best focus lies from the truth, and U, um."""
    case, detector, data = swept(of, np.random.default_rng(seed), **changed)
    fit = fitted(of, detector, data)
    return fit.peak_um - case.truth_um, coverage_factor(float(fit.dof)) * fit.u_um


def test_it_finds_the_peak_of_the_light_through_the_slit() -> None:
    by, U = off(QUIET)
    assert abs(by) < 0.2
    assert U < 0.5


def test_the_brightest_counts_as_one_and_the_dark_as_nothing() -> None:
    case, _, data = swept(replace(QUIET, dark=0.5), np.random.default_rng(3))
    values = [point.channels["light"][0] for point in data.points]
    light = []
    for point in data.points:
        case.place_um = 10000.0 + point.offset_um
        light.append(case.passes())
    ratio = np.array(values) / np.array(light)
    assert ratio == pytest.approx(ratio.mean(), rel=0.02)
    assert 0.9 < max(values) < 1.2


@pytest.mark.parametrize("how", ["reference", "returns"])
def test_a_lamp_that_drifts_is_told_from_the_curve(how: str) -> None:
    """A fifth of its light in ten minutes: the points then lie on the curve as close as noise has them."""
    of = replace(QUIET, drift=0.2, noise=5e-4, shot=5e-4, return_every=None if how == "reference" else 3)
    for seed in (1, 2):
        _, detector, data = swept(of, np.random.default_rng(seed))
        fit = fitted(of, detector, data)
        assert fit.chi2_per_dof < 4.0
        values = np.array([point.channels["light"][0] for point in data.points])
        residual = values - fit.curve([point.offset_um for point in data.points])[0]
        assert np.std(residual) < 2e-3


def test_what_the_lamp_does_between_returns_is_told_by_both_neighbours() -> None:
    trace = LampTrace([(0.0, 2.0), (10.0, 1.0)])
    assert trace.at(5.0) == pytest.approx((0.75, math.sqrt(0.5)))
    assert trace.at(-1.0) == (1.0, 1.0)
    assert trace.at(11.0) == (0.5, 1.0)
    assert LampTrace().at(3.0) == (1.0, 0.0)


def test_the_darks_own_uncertainty_is_in_every_point() -> None:
    taken = Readings((1.0, 1.01, 0.99, 1.0), (2.0, 2.0, 2.0, 2.0))
    sure, doubtful = Dark(0.1, 0.0, 0.0), Dark(0.1, 0.05, 0.0)
    level = level_of(taken, doubtful, Dark(0.0, 0.0, 0.0), 2.0)
    assert level.mean == pytest.approx(0.9)
    assert level.u_dark == pytest.approx(0.05)
    assert level_of(taken, sure, Dark(0.0, 0.1, 0.0), 2.0).u_dark == pytest.approx(0.9 * 0.05)


def test_a_flicker_that_both_meters_see_cancels_reading_by_reading() -> None:
    lamp = (1.0, 0.9, 1.1, 1.05)
    taken = Readings(tuple(0.5 * one + 0.02 for one in lamp), tuple(one + 0.1 for one in lamp))
    level = level_of(taken, Dark(0.02, 0.0, 0.0), Dark(0.1, 0.0, 0.0), 1.0)
    assert level.mean == pytest.approx(0.5)
    assert level.variance == pytest.approx(0.0, abs=1e-20)


def test_noise_is_that_of_dark_and_light_and_of_a_coarse_display() -> None:
    noise = Noise(1e-6, 4e-6, 0.0)
    assert noise.u(1.0, 4) == pytest.approx(math.sqrt(5e-6 / 4))
    seen = [Level(0.0, 1e-6, 0.0), Level(1.0, 3e-6, 0.0)]
    found = Noise.of(seen, 1e-6, None)
    assert (found.dark, found.per_light, found.rounding) == pytest.approx((1e-6, 2e-6, 0.0))
    # Where nothing stirs, a hundred readings are rounded alike.
    assert Noise.of([Level(1.0, 0.0, 0.0)], 0.0, 0.01).u(1.0, 100) == pytest.approx(0.01 / math.sqrt(12.0))


def test_a_dark_level_above_the_light_is_refused() -> None:
    """From the room, or an amplifier's offset: of 50 times the light it is drawn between -10 and 50."""
    with pytest.raises(Refused, match=r"The level without light, .* is more than the light through the slit"):
        swept(replace(QUIET, dark=50.0), np.random.default_rng(1))


def test_a_meter_at_its_end_is_refused() -> None:
    with pytest.raises(BenchdError, match=r"and 0\.8 is the most it can tell") as caught:
        swept(replace(QUIET, dark=0.0), np.random.default_rng(1), full_scale=0.8)
    assert "Dim the lamp" in caught.value.advice


def test_readings_that_do_not_scatter_are_refused_unless_the_step_of_the_display_is_stated() -> None:
    still = replace(QUIET, noise=0.0, shot=0.0, dark=0.0)
    with pytest.raises(BenchdError, match="do not scatter at all"):
        swept(still, np.random.default_rng(1))
    by, _ = off(still, resolution=1e-4)
    assert abs(by) < 0.3


def test_a_frequency_is_refused() -> None:
    _, detector, _ = swept(QUIET, np.random.default_rng(1))
    with pytest.raises(Refused, match="A slit passes all frequencies, and cannot measure at 40 lp/mm"):
        detector.frequency(40.0)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"source_slit_um": 12.0, "u_source_slit_um": 0.1}, "the slit widths differ, 12 and 25 um"),
        ({"source_slit_um": 25.1, "u_source_slit_um": 0.5}, "known to 2.3% of each other"),
        ({"source_slit_um": 25.1}, "belong together"),
        ({"u_slit_um": 5.0}, "at most 10%"),
        ({"slit": 25.0}, "Extra inputs"),
        ({"return_every": 0}, "greater than or equal to 1"),
        ({"readings": 1}, "greater than or equal to 2"),
    ],
)
def test_keys_that_will_not_do_are_refused(changed: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        MeterKeys.model_validate({**KEYS, **changed})


@pytest.fixture
def shipped(tmp_path: Any) -> Any:
    """The bench file that ships, changed by a function of its document: what is wrong with it."""

    def changed(change: Any) -> list[str]:
        yaml = YAML(typ="safe")
        doc = yaml.load((CONFIGS / "workshop-photodiode" / "bench.yaml").read_text())
        doc["records"] = str(CONFIGS / "workshop")
        change(doc)
        with (tmp_path / "bench.yaml").open("w") as file:
            yaml.dump(doc, file)
        try:
            build(load_bench(tmp_path / "bench.yaml"))
        except FileProblems as wrong:
            return [str(problem) for problem in wrong.problems]
        return []

    return changed


def test_the_bench_that_ships_is_fine(shipped: Any) -> None:
    assert shipped(lambda doc: None) == []


def test_a_lamp_that_nobody_watches_is_refused(shipped: Any) -> None:
    def change(doc: Any) -> None:
        del doc["roles"]["lamp_reference"]

    (wrong,) = shipped(change)
    assert "return_every" in wrong
    assert "a lamp that drifts moves the peak" in wrong


def test_returns_beside_a_reference_would_do_nothing_and_are_refused(shipped: Any) -> None:
    (wrong,) = shipped(lambda doc: doc["detectors"]["meter"].update(return_every=5))
    assert "nothing where a meter has the role lamp_reference" in wrong


def test_a_slit_at_a_wall_is_refused_with_the_reason(shipped: Any) -> None:
    (wrong,) = shipped(lambda doc: doc.update(arrangement="wall"))
    assert "as wide as each lens's magnification makes it" in wrong


def test_a_bench_without_a_light_to_put_out_is_refused(shipped: Any) -> None:
    def change(doc: Any) -> None:
        del doc["roles"]["target_light"]

    assert any("it is put out for the reading without light" in wrong for wrong in shipped(change))


def test_a_reference_that_nothing_goes_by_is_refused(shipped: Any) -> None:
    def change(doc: Any) -> None:
        del doc["detectors"]

    assert any("lamp_reference" in wrong for wrong in shipped(change))
