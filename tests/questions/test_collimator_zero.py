"""The vergence of a collimator from settings of its tube: made numbers, against rays and published formulae.

Newton's equation x x' = f^2 (Born and Wolf, Principles of Optics, 4.3); the sagitta of a sphere, R = (r^2 + s^2) / 2 s;
Type A evaluation, JCGM 100, 4.2.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from benchd.arrangements.collimated import shift_mm_of
from benchd.assessments.finding import Finding
from benchd.errors import Refused
from benchd.files.artefacts import Flatness
from benchd.questions.collimator_zero import _um
from benchd.questions.collimator_zero.assessment import TubeInput, assess
from benchd.records.values import ReadingRow

HEAD = {
    "finding": "", "assessment": "collimator_zero", "run": "r-0007", "setup": 3, "lens": None, "job": None,
    "at": "2031-04-05T09:20:02Z", "version": "0",
}  # fmt: skip
GIVEN = TubeInput(
    head=HEAD, away=1.0, fc_mm=500.0, u_fc_mm=1.0, fc_dof=None, u_tube_um=3.0,
    least_radius_mm=Flatness(flatness_um=0.06, over_mm=80.0).least_radius_mm, flat="flat-80", drift_um_per_K=6.0,
    temperature_C=21.5, u_temperature_K=0.3, temperature_source="typed, setup-3", indices=(0, 5),
)  # fmt: skip
SETTINGS = [12010.0, 11990.0, 12020.0, 11980.0, 12000.0]


def lines_of(found: Finding, value: str = "vergence") -> dict[str, float]:
    return {line.term: line.u for line in found.budgets[value]}


def image_mm(fc: float, d: float, gap: float, f: float) -> float:
    """How far behind a thin lens the image of a reticle lies, d beyond the focus of a thin collimator: one ray."""
    height, slope = 0.0, 1.0
    for way, focal in ((fc + d, fc), (gap, f)):
        height += way * slope
        slope -= height / focal
    return -height / slope


@pytest.mark.parametrize("d_um", [-400.0, -25.0, 60.0, 400.0])
@pytest.mark.parametrize(("fc", "f"), [(500.0, 50.0), (300.0, 85.0), (1000.0, 25.0)])
def test_the_image_goes_where_a_ray_goes(fc: float, f: float, d_um: float) -> None:
    """Farther from the lens the light converges, and the image lies shallower: by d (f / fc)^2, as Newton has it."""
    found = assess(SETTINGS, 12000.0 + d_um, replace(GIVEN, fc_mm=fc))
    per_m = found.values["vergence"].value
    assert per_m is not None
    assert per_m == pytest.approx(-d_um / fc**2, rel=1e-12)
    assert found.values["setting"].value == pytest.approx(d_um)
    deeper_mm = image_mm(fc, d_um / 1000.0, fc + 150.0, f) - f
    assert shift_mm_of(f, per_m) == pytest.approx(deeper_mm, rel=3e-3), "but for the way between the two lenses"
    assert 1000.0 * deeper_mm == pytest.approx(-d_um * (f / fc) ** 2, rel=3e-3)


def test_a_scale_that_grows_toward_the_lens_turns_the_sign() -> None:
    one, other = (assess(SETTINGS, 12100.0, replace(GIVEN, away=away)) for away in (1.0, -1.0))
    for value in ("vergence", "setting"):
        assert (one.values[value].value or 0.0) + (other.values[value].value or 0.0) == pytest.approx(0.0)
        assert one.values[value].value
        assert one.values[value].u == pytest.approx(other.values[value].u)


@pytest.mark.parametrize(("sag_um", "over_mm"), [(0.06, 80.0), (0.3, 25.0), (10.0, 1000.0)])
def test_a_flat_is_as_flat_as_its_sag_over_its_diameter(sag_um: float, over_mm: float) -> None:
    flat = Flatness(flatness_um=sag_um, over_mm=over_mm)
    r, s = over_mm / 2.0, sag_um / 1000.0
    radius_mm = (r * r + s * s) / (2.0 * s)
    assert flat.least_radius_mm == pytest.approx(radius_mm, rel=1e-6)
    found = assess(SETTINGS, 12000.0, replace(GIVEN, least_radius_mm=flat.least_radius_mm))
    (line,) = [line for line in found.budgets["vergence"] if line.term == "flat"]
    assert line.u == pytest.approx(1000.0 / radius_mm / math.sqrt(3.0))
    assert line.shape == "rectangular"


def test_every_line_is_what_it_is_of() -> None:
    found = assess(SETTINGS, 12125.0, GIVEN)
    of_tube = lines_of(found, "setting")
    s = math.sqrt(1000.0 / 4.0)  # of 10, -10, 20, -20, 0
    assert of_tube == {"settings": pytest.approx(s / math.sqrt(5.0)), "tube reading": 3.0}
    assert lines_of(found) == {
        "settings": pytest.approx(of_tube["settings"] / 250e3),
        "tube reading": pytest.approx(3.0 / 250e3),
        "flat": pytest.approx(8 * 0.06 / 80.0**2 / math.sqrt(3.0)),
        "focal length": pytest.approx(2.0 * 125.0 / 250e3 * 1.0 / 500.0),
        "temperature": pytest.approx(6.0 / math.sqrt(3.0) * 0.3 / 250e3),
    }
    (settings,) = [line for line in found.budgets["setting"] if line.term == "settings"]
    assert (settings.type, settings.dof) == ("A", 4.0)
    assert found.calibrates[0].artefact == "collimator"
    assert found.calibrates[0].value == "vergence"
    assert found.measurand.reference_C == 21.5
    assert any("stays locked" in note for note in found.notes)


def test_at_its_setting_the_focal_length_counts_for_nothing() -> None:
    assert "focal length" not in lines_of(assess(SETTINGS, 12000.0, GIVEN))


def test_readings_that_are_all_the_same_do_not_make_it_certain() -> None:
    """A scale read to a tenth of a millimetre says the same each time: its rounding is in all of them."""
    found = assess([12000.0] * 5, 12000.0, replace(GIVEN, u_tube_um=30.0))
    assert lines_of(found, "setting") == {"tube reading": pytest.approx(30.0 * math.sqrt(2.0))}


def test_a_setting_far_off_is_noted_and_counts() -> None:
    found = assess([*SETTINGS[:4], 12500.0], 12000.0, GIVEN)
    assert any(note.startswith("Setting 5 of 5 is far off the others, +490") for note in found.notes)
    assert found.values["setting"].value == pytest.approx(-100.0)


def test_a_tube_locked_far_off_is_refused() -> None:
    assess(SETTINGS, 12000.0 + 1240.0, GIVEN)
    with pytest.raises(Refused, match=r"locked \+1260 µm from its setting.*at most 0\.005"):
        assess(SETTINGS, 12000.0 + 1260.0, GIVEN)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Light meets the flat square, so at the setting its vergence is the flat's curvature: draws of all of it."""
    rng, cases, held = np.random.default_rng(20260101), 2000, 0
    for _ in range(cases):
        fc = rng.uniform(500.0 - math.sqrt(3.0), 500.0 + math.sqrt(3.0))
        curvature_per_m = rng.uniform(-1.0, 1.0) * 8 * 0.06 / 80.0**2
        warmer_K = rng.normal(0.0, 0.3)
        drifted_um = rng.uniform(-6.0, 6.0) * warmer_K  # at the stated temperature the focus is elsewhere
        setting = 12000.0 - curvature_per_m * fc**2 + drifted_um
        settings = setting + 12.0 * rng.standard_normal(5) + 3.0 * rng.standard_normal(5)
        locked = 12000.0 + rng.uniform(-300.0, 300.0)
        found = assess(list(settings), locked + 3.0 * rng.standard_normal(), GIVEN)
        true = -(locked - 12000.0) / fc**2
        stated = found.values["vergence"]
        assert stated.value is not None
        assert stated.U is not None
        held += abs(stated.value - true) <= stated.U
    share, sd = held / cases, math.sqrt(0.95 * 0.05 / cases)
    assert 0.95 - 3.3 * sd < share < 0.97 + 3.3 * sd, share


@pytest.mark.parametrize(("value", "unit", "um"), [(12.345, "mm", 12345.0), (12345.0, "um", 12345.0)])
def test_a_tube_is_read_in_any_length(value: float, unit: str, um: float) -> None:
    assert _um(row(value, unit)) == pytest.approx(um)


def test_a_tube_is_read_in_nothing_else() -> None:
    with pytest.raises(Refused, match="Reading setting is in K"):
        _um(row(12.0, "K"))


def row(value: float, unit: str) -> ReadingRow:
    given: dict[str, Any] = {"offset_um": None, "carriage_um": None, "device": "prompt", "channel": "setting"}
    return ReadingRow(run="r-0007", idx=0, t_utc="", t_mono=0.0, value=value, unit=unit, **given)
