"""What is stated or calibrated of a collimator's vergence, as the conjugate term of the chain has it."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from pydantic import ValidationError

from benchd.arrangements.collimated import Collimated
from benchd.arrangements.guarded import guarded
from benchd.arrangements.registry import DECLARED
from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.datum.chain import CalibrationInForce, Chain
from benchd.errors import BenchdError
from benchd.files.bench_file import ArrangementEntry
from benchd.files.loading import LoadedBench, load_bench
from benchd.metrology.chain_term import ChainTerm
from tests.bench.datum.wall_chain import BASE, CONFIGS, FITTED, chain_of

F_MM = 49.6
KNOWN = CalibrationInForce("cal-5", "collimator", -2e-5, 5e-5, 12.0, at_C=21.5, unit="1/m")
TUBE = {"focal_length_mm": {"value": 500.0, "u": 1.0}, "tube_grows": "away", "u_tube_um": 3.0}


def bench(**keys: Any) -> LoadedBench:
    whole = load_bench(CONFIGS / "workshop-collimated" / "bench.yaml")
    entry = ArrangementEntry.model_validate({"kind": "collimated", **keys})
    file = whole.file.model_copy(update={"arrangement": entry})
    return LoadedBench(file, whole.source, whole.records)


def chain(keys: dict[str, Any], *known: CalibrationInForce, **changes: Any) -> Chain:
    in_force = {**BASE, **{one.artefact: one for one in known}}
    return chain_of(bench(**keys), in_force=in_force, **{"ring": "infinity", "temperature_C": 21.5, **changes})


def conjugate(found: Chain) -> ChainTerm:
    assert found.conjugate is not None
    return found.conjugate


@pytest.mark.parametrize("per_m", [0.002, -0.002])
def test_a_stated_vergence_moves_nominal_deeper_where_it_diverges(per_m: float) -> None:
    """An object 1 / V before the lens is imaged s' - f beyond its focus, 1/s' = 1/f - 1/s (Gauss)."""
    stated = {"vergence_per_m": per_m, "u_vergence_per_m": 1e-4}
    found, without = chain(stated), chain({"u_vergence_per_m": 1e-4})
    object_mm = 1000.0 / per_m
    deeper_um = 1000.0 * (1.0 / (1.0 / F_MM - 1.0 / object_mm) - F_MM)
    assert conjugate(found).value_um == pytest.approx(deeper_um, rel=1e-6)
    assert found.carriage_um is not None
    assert without.carriage_um is not None
    assert found.carriage_um - without.carriage_um == pytest.approx(deeper_um, abs=1e-3)
    parts = {part.name: part.u for part in conjugate(found).parts}
    assert parts["collimator"] == pytest.approx(F_MM**2 * 1e-4)
    assert parts["focal length"] == pytest.approx(2.0 * F_MM * 0.2 * 0.002, rel=1e-3), "the record's u is 0.2 mm"


def test_at_a_mark_both_count() -> None:
    mark = {"mark": 5}
    plain, both = (
        conjugate(chain({"u_vergence_per_m": 4e-4, **more}, ring=mark)) for more in ({}, {"vergence_per_m": 0.001})
    )
    assert both.value_um - plain.value_um == pytest.approx(F_MM**2 * 0.001, rel=1e-4)
    assert both.value_um < -400.0, "what the mark takes off"


def test_a_calibration_counts_before_what_is_stated_and_is_cited() -> None:
    stated = {"vergence_per_m": 0.001, "u_vergence_per_m": 4e-4, **TUBE, "tube_drift_um_per_K": 0.0}
    before, after = chain(stated), chain(stated, KNOWN)
    term = conjugate(after)
    assert term.value_um == pytest.approx(F_MM**2 * -2e-5, rel=1e-4)
    assert term.u_um == pytest.approx(F_MM**2 * 5e-5, rel=1e-4)
    assert term.dof == pytest.approx(12.0, rel=1e-3)
    assert term.source == "cal-5"
    assert after.calibrations == ("cal-7", "cal-5")
    assert before.calibrations == ("cal-7",)
    assert after.u_um < before.u_um
    assert conjugate(before).source == "collimator, bench file"
    assert "cal-5" in " ".join(after.notes)


def test_far_from_the_warmth_of_its_setting_it_is_less_sure() -> None:
    """6 um a kelvin at the most, rectangular, over 4 K and a thermometer of 0.3 K; then f^2 over fc^2 of it."""
    stated = {**TUBE, "tube_drift_um_per_K": 6.0}
    near, far = (conjugate(chain(stated, KNOWN, temperature_C=at)) for at in (21.5, 25.5))
    for found, kelvin in ((near, 0.3), (far, math.hypot(4.0, 0.3))):
        parts = {part.name: part.u for part in found.parts}
        assert parts["temperature"] == pytest.approx((F_MM / 500.0) ** 2 * 6.0 / math.sqrt(3.0) * kelvin, rel=1e-6)
    unknown = {part.name: part.u for part in conjugate(chain(stated, KNOWN, temperature_C=None)).parts}
    assert unknown["temperature"] > 0.1, "20 C, within 10 K"


def test_a_drift_that_is_not_stated_is_told() -> None:
    assert any("`tube_drift_um_per_K`" in note for note in chain(TUBE, KNOWN).notes)
    assert not any("`tube_drift_um_per_K`" in note for note in chain({**TUBE, "tube_drift_um_per_K": 6.0}, KNOWN).notes)
    assert not any("`tube_drift_um_per_K`" in note for note in chain(TUBE).notes), "of a calibration alone"


def test_with_the_ring_free_a_calibration_says_nothing() -> None:
    found = chain(TUBE, KNOWN, ring="free")
    assert not found.absolute
    assert found.calibrations == ("cal-7",)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"vergence_per_m": 0.001}, "u_vergence_per_m: a stated vergence_per_m needs"),
        ({"tube_grows": "away"}, "focal_length_mm: .* have an effect together only"),
        ({"focal_length_mm": {"value": 500.0, "u": 1.0}}, "tube_grows: .* have an effect together only"),
        ({"tube_drift_um_per_K": 6.0}, "focal_length_mm: .* have an effect together only"),
        ({"vergence_per_m": 0.5, "u_vergence_per_m": 1e-4}, "a number from -0.1 to 0.1 1/m"),
        ({**TUBE, "tube_grows": "outward"}, "'away' or 'toward'"),
    ],
)
def test_keys_that_would_have_no_effect_are_refused(keys: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        Collimated.Config.model_validate(keys)


def test_a_guarded_arrangement_is_told_what_is_in_force() -> None:
    """One of a package goes by its calibrations as well."""
    config = Collimated.Config.model_validate(TUBE)
    found = guarded(Collimated, config, tuple(DECLARED), "another")
    whole = bench(**TUBE)
    setup = apply(first_setup(whole.file), FITTED | {"ring": "infinity"}, whole.records, whole.file)
    with_it = found.with_calibrations({"collimator": replace(KNOWN, value=1e-4)})
    assert with_it.calibrated_in == {"collimator": "1/m"}
    shifts = [one.conjugate(whole.records.lens("L-0417"), setup, whole.file).term.value_um for one in (found, with_it)]
    assert shifts == [0.0, pytest.approx(F_MM**2 * 1e-4, rel=1e-4)]


def test_a_guarded_arrangement_that_answers_with_none_of_its_kind_is_named() -> None:
    class Careless(Collimated):
        def with_calibrations(self, in_force: Any) -> Any:
            return None

    found = guarded(Careless, Collimated.Config.model_validate(TUBE), tuple(DECLARED), "another")
    with pytest.raises(BenchdError, match="arrangement 'collimated' of another answered with_calibrations with None"):
        found.with_calibrations({})
