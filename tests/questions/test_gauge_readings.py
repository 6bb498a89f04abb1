"""Lengths by gauge, held against benches made of exact numbers; expansion by ISO 1 (reference 20 C)."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchd.assessments.finding import Finding
from benchd.bench.datum.chain import ScaleRecord
from benchd.devices import GaugeSpec
from benchd.files.artefacts import Reference
from benchd.questions.adapter_length.assessment import adapter_length
from benchd.questions.bench_zero import ring_of
from benchd.questions.bench_zero.assessment import bench_zero
from benchd.questions.comparator import About, Comparator, Known, Pair, Thermal
from benchd.questions.gauge_inputs import make_comparator

GAUGE = Comparator(
    resolution_um=0.2, hysteresis_um=0.3, u_gain=0.001, u_scale=1e-5, subdivision_um=0.15, alpha_scale=8.0e-6
)
ABOUT = About(run="r-0007", setup=3, at="2031-04-05T09:20:02Z", version="0", indices=(0, 9))
STEEL, ALUMINIUM, SCALE = 11.5e-6, 23.0e-6, 8.0e-6
PROBE_UM = 44987.0


def base_pairs(base_20: float, ring_20: float, kelvin: float, scatter: list[float]) -> list[Pair]:
    """What an exact gauge reads on a bench of these lengths, everything `kelvin` above 20 C."""
    pairs = []
    for off in scatter:
        carriage = 21000.0 + 3.0 * off
        ring = ring_20 * (1 + STEEL * kelvin)
        depth = base_20 * (1 + STEEL * kelvin) + carriage * (1 + SCALE * kelvin)
        pairs.append(Pair(ring - PROBE_UM, 0.0, depth - PROBE_UM + off, carriage))
    return pairs


@pytest.mark.parametrize("kelvin", [0.0, 1.5, -4.0, 12.0])
def test_bench_zero_is_found_at_20_degrees_whatever_the_room(kelvin: float) -> None:
    pairs = base_pairs(24004.25, 45000.4, kelvin, [0.2, -0.2, 0.1, -0.1, 0.0])
    ring = Known(45000.4, 0.6, STEEL, "certificate")
    base = Known(24000.0, 100.0, STEEL, "bench file")
    found = bench_zero(pairs, ring, base, "bench-zero", GAUGE, Thermal(20.0 + kelvin, 0.3), ABOUT)
    # The correction takes the base as long as its record says, 4 um off: alpha x 4 um x 12 K is under a nanometre.
    assert found.values["length"].value == pytest.approx(24004.25, abs=0.001)
    assert found.measurand.artefact == "bench-zero"
    assert found.values["carriage"].value == pytest.approx(21000.0)


@pytest.mark.parametrize("certified_C", [20.0, 23.0, 17.5])
@pytest.mark.parametrize("kelvin", [0.0, 3.0])
def test_a_ring_whose_certificate_holds_at_another_temperature_is_as_long_there_as_it_says(
    kelvin: float, certified_C: float
) -> None:
    """A ring stated at 23 C was taken as that long at 20 C: the zero was 1.55 um off."""
    ring = Reference.model_validate(
        {
            "reference": "collar-45",
            "kind": "setting_ring",
            "material": {"alpha_per_K": STEEL},
            "given": {"length_um": 45000.4 * (1 + STEEL * (certified_C - 20.0)), "u_um": 0.6, "at_C": certified_C},
        }
    )
    pairs = base_pairs(24000.0, 45000.4, kelvin, [0.2, -0.2, 0.1, -0.1, 0.0])
    base = Known(24000.0, 100.0, STEEL, "bench file")
    found = bench_zero(pairs, ring_of(ring), base, "bench-zero", GAUGE, Thermal(20.0 + kelvin, 0.3), ABOUT)
    # Twice corrected to first order: alpha^2 x 45 mm x 3 K x 3 K is 0.05 nm.
    assert found.values["length"].value == pytest.approx(24000.0, abs=0.001)
    # What the coefficient may be wrong by counts from the certificate's temperature (handbook, 5 %).
    lines = {line.term: line.u for line in found.budgets["length"]}
    warm, far = math.hypot(kelvin, 0.3), math.hypot(20.0 + kelvin - certified_C, 0.3)
    parts = [STEEL * 45000.4 * far, STEEL * 24000.0 * warm, SCALE * 21000.0 * warm]
    assert lines["expansion"] == pytest.approx(0.05 * math.hypot(*parts), rel=1e-3)


def test_bench_zero_budget_holds_ring_scatter_and_a_shared_thermometer() -> None:
    pairs = base_pairs(24004.25, 45000.4, 2.0, [0.4, -0.4, 0.2, -0.2, 0.0])
    ring = Known(45000.4, 0.6, STEEL, "certificate")
    base = Known(24000.0, 100.0, STEEL, "bench file")
    found = bench_zero(pairs, ring, base, "bench-zero", GAUGE, Thermal(22.0, 0.3), ABOUT)
    lines = {line.term: line for line in found.budgets["length"]}
    assert lines["setting ring"].u == 0.6
    scatter = [0.4 - 3 * 0.4 * 16e-6, -0.4, 0.2, -0.2, 0.0]
    mean = sum(scatter) / 5
    s = math.sqrt(sum((x - mean) ** 2 for x in scatter) / 4)
    # JCGM 100, 4.2.3: s / sqrt(n), n - 1 degrees of freedom. The gauge's own offset is all that scatters here.
    assert lines["remounts"].u == pytest.approx(s / math.sqrt(5), rel=1e-3)
    assert lines["remounts"].dof == 4
    # Ring and base are of one steel and expand together: the thermometer enters by their difference, less the scale.
    slope = STEEL * 45000.4 - STEEL * 24000.0 - SCALE * 21000.0
    assert lines["temperature"].u == pytest.approx(abs(slope) * 0.3, rel=1e-3)
    assert found.values["length"].u == pytest.approx(math.hypot(*(line.u for line in found.budgets["length"])))


def test_a_round_in_which_nothing_was_moved_is_noted() -> None:
    ring, base = Known(45000.0, 0.6, STEEL, "c"), Known(24000.0, 100.0, STEEL, "b")
    gauge = replace(GAUGE, u_seat_um=0.7)

    def notes(scatter: list[float]) -> list[str]:
        pairs = base_pairs(24000.0, 45000.0, 0.0, scatter)
        return list(bench_zero(pairs, ring, base, "bench-zero", gauge, Thermal(20.0, 0.3), ABOUT).notes)

    assert notes([0.1, -0.1, 1.0, 0.1, -0.1]) == []
    (note,) = notes([0.1, -0.1, -475.0, 0.1, -0.1])
    assert note.startswith("Pair of readings 3 of 5 is far off the others, \u2212474.9 µm")


def test_both_measurements_of_a_spoilt_round_of_an_adapter_are_noted() -> None:
    pairs = [Pair(10.0, 21000.0, 12.0 + off, 2998.0) for off in (0.3, -0.3, 80.0, 80.2, 0.2, -0.2)]
    found = adapter_length(
        pairs, Known(18003.2, 1.5, ALUMINIUM, "r"), "ring-07", replace(GAUGE, u_seat_um=0.7), Thermal(20.0, 0.3), ABOUT
    )
    assert [note[:26] for note in found.notes] == ["Pair of readings 3 of 6 is", "Pair of readings 4 of 6 is"]


def test_a_cover_over_the_target_is_added_to_the_depth() -> None:
    pairs = base_pairs(24000.0, 45000.0, 0.0, [0.1, -0.1, 0.0, 0.1, -0.1])
    ring, base = Known(45000.0, 0.6, STEEL, "c"), Known(24000.0, 100.0, STEEL, "b")
    bare = bench_zero(pairs, ring, base, "bench-zero", GAUGE, Thermal(20.0, 0.3), ABOUT)
    covered = bench_zero(
        pairs, ring, base, "bench-zero", GAUGE, Thermal(20.0, 0.3), ABOUT, Known(1000.0, 0.0, None, "b")
    )
    assert bare.values["length"].value is not None
    assert covered.values["length"].value == pytest.approx(bare.values["length"].value + 1000.0)


def test_the_thickness_of_the_cover_is_a_line_of_its_own() -> None:
    pairs = base_pairs(24000.0, 45000.0, 0.0, [0.1, -0.1, 0.0, 0.1, -0.1])
    ring, base = Known(45000.0, 0.6, STEEL, "c"), Known(24000.0, 100.0, STEEL, "b")
    cover = Known(1000.0, 2.0, None, "target cross-2, bench file")
    bare = bench_zero(pairs, ring, base, "bench-zero", GAUGE, Thermal(20.0, 0.3), ABOUT)
    covered = bench_zero(pairs, ring, base, "bench-zero", GAUGE, Thermal(20.0, 0.3), ABOUT, cover)
    assert bare.values["length"].u is not None
    assert [(one.u, one.source) for one in covered.budgets["length"] if one.term == "target cover"] == [
        (2.0, cover.source)
    ]
    assert covered.values["length"].u == pytest.approx(math.hypot(bare.values["length"].u, 2.0))
    assert not [one for one in bare.budgets["length"] if one.term == "target cover"]


@pytest.mark.parametrize("kelvin", [0.0, 1.5, -6.0])
def test_adapter_length_is_found_at_20_degrees(kelvin: float) -> None:
    true = 18001.64
    pairs = []
    for off in (0.3, -0.3, 0.1, -0.1, 0.2, -0.2):
        first, second = 21000.0 + off, 2998.0 - off
        base = 24000.0 * (1 + STEEL * kelvin)
        on_base = base + first * (1 + SCALE * kelvin) - PROBE_UM
        on_adapter = base + true * (1 + ALUMINIUM * kelvin) + second * (1 + SCALE * kelvin) - PROBE_UM + off
        pairs.append(Pair(on_base, first, on_adapter, second))
    adapter = Known(18003.2, 1.5, ALUMINIUM, "record")
    found = adapter_length(pairs, adapter, "ring-07", GAUGE, Thermal(20.0 + kelvin, 0.3), ABOUT)
    assert found.values["length"].value == pytest.approx(true, abs=1e-4)
    lines = {line.term: line for line in found.budgets["length"]}
    assert lines["scale"].u == pytest.approx(1e-5 * 18002.0, rel=1e-3)
    assert lines["remounts"].dof == 5


def lengths_by(scale: ScaleRecord) -> tuple[Finding, Finding]:
    """A base and an adapter by the same gauge, the carriage's place told by `scale`."""
    gauge = make_comparator(GaugeSpec(-600.0, 600.0, 0.2, 0.3, 0.001), scale)
    pairs = [Pair(0.1 * i, 21000.0, 0.0, 2998.0) for i in range(5)]
    ring, base, adapter = (Known(length, 0.6, STEEL, "record") for length in (45000.0, 24000.0, 18002.0))
    now = Thermal(22.0, 0.3)
    return (
        bench_zero(pairs, ring, base, "bench-zero", gauge, now, ABOUT),
        adapter_length(pairs, adapter, "ring-07", gauge, now, ABOUT),
    )


def test_by_steps_each_place_of_the_carriage_has_its_own_lines() -> None:
    """A base is measured at one place, an adapter between two. JCGM 100, 4.3.7: an amplitude is arcsine."""
    base, adapter = lengths_by(ScaleRecord(5e-5, 2.5, STEEL, by_steps=True, u_backlash_um=1.0, u_home_um=3.0))
    periodic, backlash = (2.5 / math.sqrt(2.0), "arcsine"), (1.0, "normal")
    assert of_the_place(base) == {"position periodic": periodic, "position backlash": backlash}
    assert of_the_place(adapter) == {
        "position periodic, on base": periodic,
        "position periodic, on adapter": periodic,
        "position backlash, on base": backlash,
        "position backlash, on adapter": backlash,
    }


def test_by_an_encoder_its_subdivision_is_one_line() -> None:
    base, adapter = lengths_by(ScaleRecord(1e-5, 0.15, 8e-6))
    assert of_the_place(base) == {"subdivision": (0.15 / math.sqrt(2.0), "arcsine")}
    assert of_the_place(adapter) == {"subdivision": (0.15 / math.sqrt(2.0) * math.sqrt(2.0), "arcsine")}


def of_the_place(finding: Finding) -> dict[str, tuple[float, str]]:
    """The lines of where the carriage stood, with u and shape."""
    return {
        line.term: (line.u, line.shape)
        for line in finding.budgets["length"]
        if line.term.startswith(("position", "subdiv"))
    }


@pytest.mark.published
def test_expansion_of_a_steel_length_is_iso_1s() -> None:
    """52 mm of steel (11.5e-6/K) grow .598 um per K: JCGM 100:2008 H.1 for the coefficient, arithmetic for the rest."""
    warm, cool = (
        bench_zero(
            [Pair(0.0, 0.0, 100.0, 0.0)] * 5,
            Known(52000.0, 0.6, 11.5e-6, "c"),
            Known(0.0, 1.0, 0.0, "b"),
            "bench-zero",
            GAUGE,
            Thermal(at, 0.3),
            ABOUT,
        )
        for at in (21.0, 20.0)
    )
    assert warm.values["length"].value is not None
    assert cool.values["length"].value is not None
    assert warm.values["length"].value - cool.values["length"].value == pytest.approx(0.598, abs=0.0005)
