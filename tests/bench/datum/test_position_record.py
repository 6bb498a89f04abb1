"""What a bench says of its carriage position: by its scale, by its steps, or by nothing, which is told."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest

from benchd.arrangements.setup_document import apply, first_setup
from benchd.bench.assembly import build
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, as_measured, datum_chain, position_record
from benchd.devices import Encoder
from benchd.errors import Refused
from benchd.files.artefacts import Reference
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.problems import FileProblems
from benchd.files.records_folder import Records
from benchd.questions.adapter_length.assessment import adapter_length
from benchd.questions.bench_zero import BenchZero, ring_of
from benchd.questions.comparator import About, Comparator, Known, Pair, Thermal
from benchd.questions.gauge_inputs import note_unstated_position

CONFIGS = Path(__file__).parents[3] / "configs"
ALPHA = "    alpha_per_K: 8.0e-6       # glass\n"
STEPS = "steps: {u_pitch: 5.0e-5, periodic_um: 2.5, u_backlash_um: 1.0, u_home_um: 3.0, alpha_per_K: 11.5e-6}\n"
BASE = {"bench-zero": CalibrationInForce("cal-7", "bench-zero", 24000.0, 1.0, carriage_um=20000.0)}


def bench_with(
    folder: Path, *, without: str = "", put: str = "", more: str = "", name: str = "workshop"
) -> LoadedBench:
    """The shipped bench with one piece of its text replaced and some added."""
    shutil.copytree(CONFIGS, folder / "configs")
    file = folder / "configs" / name / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    if without:
        assert text.count(without) == 1, without
        text = text.replace(without, put)
    file.write_text(text + more, encoding="utf-8")
    return load_bench(file)


def scale_of(bench: LoadedBench) -> ScaleRecord | None:
    encoder = build(bench).in_role("position", Encoder)
    return position_record(bench.file, None if encoder is None else encoder.spec)


def chain_of(bench: LoadedBench) -> Chain:
    fitted = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity"}
    setup = apply(
        first_setup(bench.file), fitted | {"distance_mm": 5000, "temperature_C": 22.0}, bench.records, bench.file
    )
    return datum_chain(bench.file, bench.records, setup, BASE, scale_of(bench))


def test_a_bench_without_a_scale_is_less_sure_by_what_its_steps_may_be_wrong(tmp_path: Path) -> None:
    by_scale = chain_of(load_bench(CONFIGS / "workshop" / "bench.yaml"))
    by_steps = chain_of(bench_with(tmp_path, without=", position: scale", more=STEPS))
    assert by_steps.absolute
    assert by_steps.u_um > by_scale.u_um
    lines = {one.term: one for one in by_steps.budget if one.term.startswith("position")}
    assert by_steps.carriage_um is not None
    assert lines["position scale"].u_um == pytest.approx(5e-5 * (20000.0 - by_steps.carriage_um))
    # JCGM 100, 4.3.7: an amplitude that is met at an unknown phase is arcsine.
    assert lines["position periodic"].u_um == pytest.approx(2.5 / math.sqrt(2.0))
    assert lines["position periodic"].shape == "arcsine"
    assert lines["position backlash"].u_um == 1.0
    # The zero of the calibration's day and that of today are two finds of the switch.
    assert lines["position homing"].u_um == pytest.approx(3.0 * math.sqrt(2.0))
    assert {one.source for one in lines.values()} == {"steps, bench file"}
    assert any(one.term == "thermal scale" for one in by_steps.terms)


def test_steps_that_nothing_is_stated_of_make_findings_relative_and_name_the_key(tmp_path: Path) -> None:
    chain = chain_of(bench_with(tmp_path, without=", position: scale"))
    assert not chain.absolute
    (note,) = [one for one in chain.notes if "steps" in one]
    for key in ("u_pitch", "periodic_um", "u_backlash_um", "u_home_um", "alpha_per_K", "relative"):
        assert key in note


def test_an_expansion_that_the_scale_does_not_state_is_told_with_the_key_to_write(tmp_path: Path) -> None:
    chain = chain_of(bench_with(tmp_path, without=ALPHA))
    assert [one.u_um for one in chain.terms if one.term == "thermal scale"] == [None]
    assert any("alpha_per_K" in one for one in chain.notes)
    assert not any("alpha_per_K" in one for one in chain_of(load_bench(CONFIGS / "workshop" / "bench.yaml")).notes)


@pytest.mark.parametrize(
    ("scale", "absolute", "named"),
    [
        (ScaleRecord(1e-5, 0.15, 8e-6), True, []),
        (ScaleRecord(1e-5, 0.15, None), True, ["alpha_per_K"]),
        (None, False, ["u_pitch"]),
    ],
)
def test_a_length_by_gauge_says_what_is_not_stated_of_the_scale_it_was_driven_by(
    scale: ScaleRecord | None, absolute: bool, named: list[str]
) -> None:
    pairs = [Pair(0.1 * i, 21000.0, 0.0, 2998.0) for i in range(5)]
    gauge = Comparator(0.2, 0.3, 0.001, 1e-5, 0.15, None if scale is None else scale.alpha_per_K)
    ring = Known(18003.2, 1.5, 23e-6, "record")
    about = About(run="r-0007", setup=3, at="2031-04-05T09:20:02Z", version="0", indices=(0, 9))
    found = note_unstated_position(scale, adapter_length(pairs, ring, "ring-07", gauge, Thermal(26.0, 0.3), about))
    assert found.absolute is absolute
    assert found.why_relative == ([] if absolute else ["nothing is stated of the carriage's position"])
    assert len(found.notes) == len(named)
    assert all(key in note for key, note in zip(named, found.notes, strict=True))


def test_a_setting_ring_alone_gives_a_length() -> None:
    """A flat with a length was taken for a ring: its `kind` had no effect."""
    given = {"length_um": 45000.0, "u_um": 0.6, "at_C": 20.0, "dof": 8.0}
    steel = {"alpha_per_K": 11.5e-6}
    flat = Reference.model_validate({"reference": "flat-1", "kind": "flat", "given": given, "material": steel})
    with pytest.raises(Refused) as caught:
        BenchZero.check_of("flat-1", Records(references={"flat-1": flat}))
    assert caught.value.code == "bad_request"
    assert "flat-1 is a flat" in caught.value.text
    ring = Reference.model_validate(
        {"reference": "collar-45", "kind": "setting_ring", "given": given, "material": steel}
    )
    assert (ring_of(ring).alpha_per_K, ring_of(ring).u_um, ring_of(ring).dof) == (11.5e-6, 0.6, 8.0)


def test_a_scale_outranks_what_is_stated_of_the_steps(tmp_path: Path) -> None:
    found = scale_of(bench_with(tmp_path, more=STEPS))
    assert found is not None
    assert not found.by_steps
    assert found.u_scale == 1e-5


@pytest.mark.parametrize(
    ("name", "device", "key", "line"),
    [
        (
            "workshop",
            "scale",
            "u_scale",
            "    u_scale: 1.0e-5           # standard uncertainty of its length, relative\n",
        ),
        (
            "workshop",
            "scale",
            "subdivision_um",
            "    subdivision_um: 0.15      # amplitude of the error within one period of the grating\n",
        ),
        ("workshop", "dial", "hysteresis_um", "    hysteresis_um: 0.3\n"),
        ("workshop", "dial", "u_gain", "    u_gain: 0.001\n"),
        ("workshop-collimated", "view", "u_pixel_um", "    u_pixel_um: 0.03          # its standard uncertainty\n"),
    ],
)
def test_what_a_role_goes_by_is_stated_or_asked_for(
    tmp_path: Path, name: str, device: str, key: str, line: str
) -> None:
    bench = bench_with(tmp_path, without=line, name=name)
    with pytest.raises(FileProblems) as caught:
        build(bench)
    (problem,) = caught.value.problems
    assert problem.key == f"devices.{device}.{key}"
    assert problem.line > 1
    assert "0 is allowed" in problem.allowed


def test_which_way_the_indicator_counts_is_stated_or_asked_for(tmp_path: Path) -> None:
    """One that counts the other way gave a wrong absolute zero without a word."""
    with pytest.raises(FileProblems) as caught:
        build(bench_with(tmp_path, without="grows: deeper  "))
    (problem,) = caught.value.problems
    assert problem.key == "devices.dial.grows"
    assert "`deeper`" in problem.allowed
    assert "`shallower`" in problem.allowed


def test_what_no_role_goes_by_need_not_be_stated(tmp_path: Path) -> None:
    file = bench_with(tmp_path, without=", indicator: dial").source.path
    file.write_text(file.read_text(encoding="utf-8").replace("    u_gain: 0.001\n", ""), encoding="utf-8")
    assert "dial" in build(load_bench(file)).devices


def test_an_explicit_zero_is_taken(tmp_path: Path) -> None:
    found = scale_of(bench_with(tmp_path, without="u_scale: 1.0e-5", put="u_scale: 0"))
    assert found is not None
    assert found.u_scale == 0.0


def test_the_side_of_the_target_has_an_uncertainty_or_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileProblems) as caught:
        bench_with(tmp_path, without=", u_pitch_mm: 0.0005")
    assert [one.key for one in caught.value.problems] == ["target.u_pitch_mm"]


FOUND = {
    "steps-pitch": CalibrationInForce("cal-1", "steps-pitch", 3e-4, 4e-4, dof=17.0, unit="1"),
    "steps-periodic": CalibrationInForce("cal-2", "steps-periodic", 6.0, 0.5),
    "steps-backlash": CalibrationInForce("cal-3", "steps-backlash", 0.0, 0.8, dof=88.0),
    "steps-home": CalibrationInForce("cal-4", "steps-home", 0.0, 6.0, dof=9.0),
}


def test_what_was_measured_of_steps_counts_instead_of_what_is_stated(tmp_path: Path) -> None:
    bench = bench_with(tmp_path, without=", position: scale", more=STEPS)
    found = as_measured(scale_of(bench), FOUND)
    assert found is not None
    assert found.u_scale == pytest.approx(5e-4), "the error itself, which nobody takes off, and how well it is known"
    assert (found.subdivision_um, found.u_backlash_um, found.u_home_um) == (6.0, 0.8, 6.0)
    assert found.dofs == {"steps-backlash": 88.0, "steps-home": 9.0}
    home = {"steps-home": FOUND["steps-home"]}
    part = as_measured(scale_of(bench), home)
    assert part is not None
    assert (part.u_home_um, part.u_backlash_um, part.u_scale) == (6.0, 1.0, 5e-5), "the others as stated"


def test_what_was_measured_of_steps_does_not_count_once_it_is_withdrawn_or_beside_a_scale(tmp_path: Path) -> None:
    gone = CalibrationInForce("cal-5", "steps-home", 0.0, 0.0, withdrawn=True)
    stated = scale_of(bench_with(tmp_path, without=", position: scale", more=STEPS))
    assert as_measured(stated, {"steps-home": gone}) == stated
    scale = scale_of(load_bench(CONFIGS / "workshop" / "bench.yaml"))
    assert as_measured(scale, FOUND) == scale
    assert as_measured(None, FOUND) is None
