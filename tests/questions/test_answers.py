"""What a question gathers for its finding from bench file, records and sweep, none of it left behind on the way.

The bench is the shipped one with its real devices, never opened: an assessment asks none of them.
"""

from __future__ import annotations

import math
from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pytest_asyncio

from benchd.bench.analysis import Analysis
from benchd.bench.assembly import build
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord
from benchd.bench.sweep.sweep_data import SweepData, SweepPoint
from benchd.devices import Clock
from benchd.errors import Refused
from benchd.files.artefacts import AirGap, Layer
from benchd.files.loading import LoadedBench, load_bench
from benchd.optics.diffraction import f_number_of_hwhm, ideal_hwhm_um
from benchd.questions.answer import answer
from benchd.questions.evidence import collect_evidence
from benchd.questions.registry import names, of_a_sweep, question
from benchd.records.store import Store
from benchd.records.values import ReadingRow

CONFIGS = Path(__file__).parents[2] / "configs"
COLLIMATED = CONFIGS / "workshop-collimated" / "bench.yaml"
FITTED: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity"}
COVER = Layer(thickness_mm=0.7, u_mm=0.01, index=1.523, u_index=0.001, at_nm=546)
HWHM_UM = 37.0
U = 2e-4
Assess = Callable[..., Any]


pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def worker() -> AsyncIterator[Analysis]:
    """One process for all, as starting it takes longest."""
    worker = Analysis()
    yield worker
    await worker.close()


@pytest_asyncio.fixture(loop_scope="module")
async def assess(tmp_path: Path, worker: Analysis) -> AsyncIterator[Assess]:
    """A finding of a run that brought this home to a bench, as it is published."""
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())

    async def made(
        loaded: LoadedBench, name: str, setup: dict[str, Any], *sweeps: SweepData, of: str | None = None, **named: Any
    ) -> dict[str, Any]:
        bench = Bench(loaded, build(loaded), store, Notices(), Clock())
        bench.analysis = worker
        await bench.setup.change(setup)
        for sweep in sweeps:
            sweep.setup = bench.setup.document.rev
        run = await store.add_run(name, text_sha="", inputs={}, setup=None, lens=None, job=None, user="rail")
        record = RunRecord(run, name, "rail", list(sweeps), named)
        doc = await answer(worker, name, collect_evidence(bench, record, "0"), of)
        return doc | {"finding": await store.add_finding(doc)}

    yield made
    await store.close()


def bell(z: np.ndarray) -> np.ndarray:
    return 0.8 * np.exp(-math.log(2.0) * (z / HWHM_UM) ** 2)


def swept(
    z: np.ndarray,
    value: np.ndarray,
    f_number: float = 2.0,
    glass: tuple[str, ...] = ("pane-25",),
    at_um: float = 9000.0,
) -> SweepData:
    readings = [(float(one), U * math.sqrt(2.0)) for one in value]  # the mean of both orientations then has U
    points = [
        SweepPoint(i, float(z[i]), at_um + float(z[i]), float(i), 0, {"v": v, "h": v}) for i, v in enumerate(readings)
    ]
    return SweepData(0, glass, "detector", "edge", 40.0, f_number, 5e-4, HWHM_UM, points)


def peak_of(z: np.ndarray, value: np.ndarray, u: np.ndarray) -> float:
    """The maximum of a weighted quintic over +-1.1 half-widths, by numpy's own least squares."""
    near = np.abs(z) <= 1.1 * HWHM_UM
    found = np.polynomial.Polynomial.fit(z[near], value[near], 5, w=1.0 / u[near])
    roots = found.deriv().roots()
    return float(min(roots[np.isreal(roots)].real, key=abs))


def subdivided(z: np.ndarray, value: np.ndarray, period_um: float) -> complex:
    """How far that quintic's peak goes per um that the scale is off as a cosine, and as a sine, of its period."""
    u = np.hypot(U, math.hypot(0.15 / math.sqrt(2.0), 0.05 / math.sqrt(12.0)) * np.abs(np.gradient(value, z)))
    turn = 2.0 * math.pi * z / period_um
    by_cosine, by_sine = (
        (peak_of(z + 0.01 * off, value, u) - peak_of(z, value, u)) / 0.01 for off in (np.cos(turn), np.sin(turn))
    )
    return complex(by_cosine, by_sine)


def without_period(loaded: LoadedBench) -> LoadedBench:
    scale = loaded.file.devices["scale"]
    stated = {key: value for key, value in scale.model_dump().items() if key != "period_um"}
    devices = {**loaded.file.devices, "scale": type(scale).model_validate(stated)}
    return LoadedBench(loaded.file.model_copy(update={"devices": devices}), loaded.source, loaded.records)


def under(loaded: LoadedBench, *cover: Layer | AirGap) -> LoadedBench:
    target = loaded.file.target.model_copy(update={"cover": cover})
    return LoadedBench(loaded.file.model_copy(update={"target": target}), loaded.source, loaded.records)


def lines(finding: dict[str, Any], of: str | None = None) -> dict[str, float]:
    """The budget of a value, else of the last that has one."""
    budget = finding["budgets"][of] if of else list(finding["budgets"].values())[-1]
    return {line["term"]: line["u"] for line in budget}


def readings(carriage_um: float, *values: float) -> list[ReadingRow]:
    return [
        ReadingRow("r-0001", i, "", 0.0, None, carriage_um, "dial", "", value, "um") for i, value in enumerate(values)
    ]


async def test_a_station_off_its_place_pulls_the_peak_as_little_as_positions_are_noisy(assess: Assess) -> None:
    """With the noise of positions withheld from the fit, stations on the flanks count as if they stood exactly."""
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    stood = z.copy()
    stood[8] += 1.0  # on the flank, half a half-width out
    value = bell(stood)
    loaded = load_bench(COLLIMATED)
    # The scale's subdivision of .15 um as arcsine and its steps of .05 um as a rectangle (JCGM 100, 4.3.7).
    noise = math.hypot(0.15 / math.sqrt(2.0), 0.05 / math.sqrt(12.0))
    slope = np.abs(np.gradient(bell(z), z))
    told = peak_of(z, value, np.hypot(U, noise * slope))
    untold = peak_of(z, value, np.full(z.size, U))
    assert abs(told - untold) > 0.1
    finding = await assess(loaded, "flange", FITTED, swept(z, value))
    assert finding["values"]["focus_error"]["value"] == pytest.approx(told, abs=0.02)


async def test_a_focus_error_has_the_lines_of_the_chain_and_of_its_sweep(assess: Assess) -> None:
    z = np.sort(np.random.default_rng(3).uniform(-1.5, 1.5, 25)) * HWHM_UM
    sweep = swept(z, bell(z))
    sweep.flags.append("Somebody lit the lamp.")
    sweep.linear = False
    found = await assess(load_bench(COLLIMATED), "flange", FITTED, sweep)
    budget = lines(found)
    given = {"base": 100.0, "adapter ring-07": 1.5, "joints": 0.7 * math.sqrt(2.0)}
    assert {name: budget[name] for name in given} == pytest.approx(given)
    # What 1 % of frequency moves best focus by at most, .0095 um times f-number squared, for the sweep's .05 %.
    assert budget["frequency"] == pytest.approx(0.0095 * 2.0**2 * 0.05)
    # The period that this bench file states; that quintic's window and weights are not quite the bench's.
    passed_on = abs(subdivided(z, bell(z), 20.0))
    assert budget["position subdivision"] == pytest.approx(passed_on * 0.15 / math.sqrt(2.0), rel=0.1)
    assert {"glass pane-25", "conjugate", "thermal", "position scale", "sag", "stand-off", "abbe"} <= set(budget)
    assert "non-linear pictures" in budget
    assert found["why_relative"] == ["the bench's base is not calibrated"]
    for said in ("Somebody lit the lamp.", "Base not calibrated", "Pupil fill not shown"):
        assert any(note.startswith(said) for note in found["notes"]), said


async def test_a_scale_whose_period_nobody_states_has_the_worst_that_there_is(assess: Assess) -> None:
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    found = await assess(without_period(load_bench(COLLIMATED)), "flange", FITTED, swept(z, bell(z)))
    assert lines(found)["position subdivision"] == pytest.approx(1.5 * 0.15 / math.sqrt(2.0))


async def test_all_sweeps_and_both_orientations_are_in_the_peak(assess: Assess) -> None:
    """Two bells alike, one at +4 and one at -2 um, are together symmetric about +1 um."""
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    v, h = swept(z, bell(z - 4.0)).points, swept(z, bell(z + 2.0)).points
    points = [
        replace(one, channels={**one.channels, "h": other.channels["h"]}) for one, other in zip(v, h, strict=True)
    ]
    again = [replace(one, idx=one.idx + 25, t_mono=one.t_mono + 25.0) for one in points]
    first, second = (replace(swept(z, bell(z)), points=found) for found in (points, again))
    found = await assess(load_bench(COLLIMATED), "flange", FITTED, first, second)
    assert found["values"]["focus_error"]["value"] == pytest.approx(1.0, abs=0.1)
    assert found["readings"]["indices"] == [0, 49]
    (sweep,) = [line for line in found["budgets"]["focus_error"] if line["term"] == "sweep"]
    assert sweep["dof"] == 2 * np.count_nonzero(np.abs(z - 1.0) <= 1.1 * HWHM_UM) - 6


async def test_the_cover_over_the_target_counts_among_the_glass(assess: Assess) -> None:
    """Behind the plate that the lens was made for, the cover is what is left: half of third order, by hand."""
    loaded = load_bench(COLLIMATED)
    covered = under(loaded, COVER)
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25) * 4.0
    sweep = swept(z, bell(z / 4.0), f_number=8.0)
    residual = (await assess(covered, "flange", FITTED, sweep))["values"]["glass_residual"]
    n = COVER.index
    assert residual["value"] == pytest.approx(700.0 * (n * n - 1.0) / (16.0 * n**3 * 8.0**2), rel=0.01)


@pytest.mark.parametrize(
    ("glass", "told"),
    [(["pane-25"], None), ([], "Measured without glass, while its record says that it was designed for pane-25.")],
)
async def test_glass_that_is_not_the_lens_s_own_stands_first_in_the_notes(
    assess: Assess, glass: list[str], told: str | None
) -> None:
    """A plate left out was told by the figure of 'Glass residual' alone, which explained nothing."""
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    found = await assess(
        load_bench(COLLIMATED), "flange", FITTED | {"glass": glass}, swept(z, bell(z), glass=tuple(glass))
    )
    assert [note for note in found["notes"] if note.startswith("Measured")] == ([told] if told else [])
    assert told in (None, found["notes"][0])


STEEL, ALUMINIUM, GLASS = 11.5e-6, 23.0e-6, 8.0e-6
MOVED = readings(20900.0, 0.0)
"""That the gauge was seen to count as stated; what it read enters no length."""
DIAL = {"gauge hysteresis": 0.3 / math.sqrt(2.0), "gauge resolution": 0.2 / math.sqrt(6.0)}
"""Of two readings, as in the budget of the gauge alone; hysteresis and last digit of the bench file."""
NO_LENS: dict[str, Any] = {"temperature_C": 22.0}


async def test_a_base_is_found_by_all_that_bench_file_and_records_state(assess: Assess) -> None:
    covered = under(load_bench(CONFIGS / "workshop" / "bench.yaml"), COVER, AirGap(air_gap_mm=0.5, u_mm=0.02))
    rows = {"on_ring": readings(0.0, 0.0, 0.0, 0.0), "on_base": readings(21000.0, 399.8, 400.2, 400.0), "moved": MOVED}
    found = await assess(covered, "bench_zero", NO_LENS, of="collar-45", **rows)
    ring, base, scale = STEEL * 45000.4, STEEL * 24000.0, GLASS * 21000.0
    # The target lies below the base face by ring, difference and cover, less what the carriage has gone; all at 20 C.
    depth = 45000.4 + 2.0 * ring + 400.0 + 1200.0 - (21000.0 + 2.0 * scale) - 2.0 * base
    assert found["values"]["length"]["value"] == pytest.approx(depth, abs=1e-3)
    assert lines(found) == pytest.approx(
        DIAL
        | {
            "remounts": 0.2 / math.sqrt(3.0),
            "setting ring": 0.6,
            "target cover": math.hypot(10.0, 20.0),
            "gauge gain": 0.4,
            "subdivision": 0.15 / math.sqrt(2.0),
            "temperature": abs(ring - base - scale) * 0.3,
            "expansion": 0.05 * math.hypot(ring, base, scale) * math.hypot(2.0, 0.3),
        },
        rel=1e-4,
    )
    named = {line["term"]: line["source"] for line in found["budgets"]["length"]}
    assert (named["setting ring"], named["temperature"]) == ("collar-45, certificate", f"typed, setup-{found['setup']}")


@pytest.mark.parametrize(
    ("by_hand", "left"),
    [
        ((399.9, 400.1, 400.0), 0.25 * 0.3),  # as the carriage leaves it: that it differs from place to place is left
        ((400.2, 400.2, 400.2), 0.2),  # pushed in by some
        ((400.3, 400.5, 400.4), 0.3),  # more than the gauge's whole hysteresis: no more of it is counted
    ],
)
async def test_hysteresis_counts_as_far_as_the_tip_was_not_let_down(
    assess: Assess, by_hand: tuple[float, ...], left: float
) -> None:
    loaded = load_bench(CONFIGS / "workshop" / "bench.yaml")
    rows = {
        "let_down_on_ring": readings(0.0, 0.0, 0.0, 0.0), "set_on_base": readings(21000.0, *by_hand),
        "on_base": readings(21000.0, 400.0, 400.0, 400.0), "moved": MOVED,
    }  # fmt: skip
    found = await assess(loaded, "bench_zero", NO_LENS, of="collar-45", **rows)
    assert lines(found)["gauge hysteresis"] == pytest.approx(left / math.sqrt(2.0), rel=1e-4)


async def test_an_adapter_is_found_by_all_that_bench_file_and_record_state(assess: Assess) -> None:
    loaded = load_bench(CONFIGS / "workshop" / "bench.yaml")
    rows = {"on_base": readings(21000.0, 0.0, 0.0), "on_adapter": readings(3000.0, 0.0, 4.0), "moved": MOVED}
    found = await assess(loaded, "adapter_length", NO_LENS, of="ring-07", **rows)
    travel, adapter = GLASS * 18000.0, ALUMINIUM * 18002.0
    assert found["values"]["length"]["value"] == pytest.approx(18002.0 + 2.0 * travel - 2.0 * adapter, abs=1e-3)
    assert lines(found) == pytest.approx(
        DIAL
        | {
            "remounts": math.sqrt(8.0) / math.sqrt(2.0),
            "gauge gain": 0.002,
            "subdivision": 0.15,
            "scale": 1e-5 * 18000.0,
            "abbe": math.hypot(5.0 * 0.4, 2.0 * 0.3) * 0.290888 / 2.0,  # um a millimetre and arc minute
            "temperature": abs(travel - adapter) * 0.3,
            "expansion": 0.05 * math.hypot(travel, adapter) * math.hypot(2.0, 0.3),
        },
        rel=1e-4,
    )


async def test_a_plate_put_in_is_found_by_all_that_its_record_states(assess: Assess) -> None:
    loaded = without_period(load_bench(COLLIMATED))
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    out, pane = ((), 9000.0), (("pane-25",), 9860.0)
    four = [swept(4.0 * z, bell(z), 8.0, *turn) for turn in (out, pane, pane, out)]
    found = await assess(loaded, "glass_toggle", FITTED | {"temperature_C": 26.0}, *four)
    t, n = 2498.0, 1.5230
    values = {name: one["value"] for name, one in found["values"].items()}
    # A glass scale 6 K above 20 C tells too little by 6 alpha; both formulas of the plate by hand. Best focus lies at
    # half of the third-order aberration where the Strehl ratio is highest, and at two thirds of it for coarse patterns.
    assert values["shift"] == pytest.approx(860.0 * (1.0 + 6.0 * GLASS), abs=1e-3)
    assert values["paraxial"] == pytest.approx(t * (1.0 - 1.0 / n))
    closed = f_number_of_hwhm(4.0 * HWHM_UM, 40.0, 546.0)  # by the width of the curves, where the set-up has f/8
    assert any("f/7.0, where f/8 is stated" in note for note in found["notes"])
    aberration = t * (n * n - 1.0) / (8.0 * n**3 * closed**2)
    assert aberration / 2.0 < values["expected_residual"] < aberration * 2.0 / 3.0
    assert values["found"] == pytest.approx(values["shift"] - values["expected_residual"])
    assert found["calibrates"][0]["artefact"] == "glass.pane-25"
    budget = lines(found, "residual")
    assert budget.pop("readings") > 0.0  # what a quintic leaves of a bell
    each = 1.5 * 0.15 / math.sqrt(2.0)  # as the fit passes a subdivision on
    plate = math.hypot(2.0 * (1.0 - 1.0 / n), t / n**2 * 0.0005)
    most = math.hypot(5.0 * 0.4, 2.0 * 0.3) * 0.290888  # um a millimetre and arc minute
    comparable_sweeps = math.exp(-0.5 * (0.86004 / 2.0) ** 2)  # of 2 mm, within which a carriage tips alike
    assert budget == pytest.approx(
        {
            "scale": 1e-5 * 860.0,
            "abbe": most / 2.0 * math.sqrt(1.0 - comparable_sweeps),
            "position subdivision, glass out": each,
            "position subdivision, glass in": each,
            "plate record": plate,
        },
        rel=1e-3,
    )


@pytest.mark.parametrize(("name", "narrower"), [("workshop-collimated", 1.0), ("workshop-autocollimation", 0.5)])
async def test_the_iris_is_told_by_curves_as_wide_as_the_arrangement_makes_them(
    assess: Assess, name: str, narrower: float
) -> None:
    """Twice through the lens a curve is half as wide."""
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    wider = narrower * ideal_hwhm_um(5.6, 40.0, 546.0) / HWHM_UM
    out, pane = ((), 9000.0), (("pane-25",), 9860.0)
    four = [swept(wider * z, bell(z), 5.6, *turn) for turn in (out, pane, pane, out)]
    found = await assess(load_bench(CONFIGS / name / "bench.yaml"), "glass_toggle", FITTED, *four)
    assert not any("where f/5.6 is stated" in note for note in found["notes"])
    t, n = 2498.0, 1.5230
    aberration = t * (n * n - 1.0) / (8.0 * n**3 * 5.6**2)
    assert found["values"]["expected_residual"]["value"] == pytest.approx(0.55 * aberration, rel=0.12)


async def test_the_first_check_of_a_lens_knows_its_shims_and_no_limits(assess: Assess) -> None:
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    loaded = load_bench(COLLIMATED)
    found = await assess(loaded, "check_lens", FITTED, swept(z, bell(z)))
    assert found["tables"]["state"]["rows"][0][0] == "too few"
    assert found["values"]["shims"]["value"] == sum(loaded.records.lens("L-0417").shims_fitted_um) == 50.0


@pytest.mark.parametrize(
    ("setup", "why"),
    [({"ring": "free"}, "ring of the check lens"), ({"ring": None}, "ring"), ({"lens": None}, "No lens")],
)
async def test_a_check_lens_is_a_lens_with_its_ring_somewhere(assess: Assess, setup: dict[str, Any], why: str) -> None:
    z = np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25)
    with pytest.raises(Refused, match=why):
        await assess(load_bench(COLLIMATED), "check_lens", FITTED | setup, swept(z, bell(z)))


async def test_a_sweep_by_itself_is_answered_by_the_question_that_needs_one_and_nothing_else() -> None:
    asked = question(of_a_sweep())
    needs = (1, (), None, None)
    assert (asked.sweeps, asked.readings, asked.of, asked.looks_back) == needs
    assert asked.judged is not None
    others = [question(name) for name in names() if name != asked.name]
    every = [(one.sweeps, one.readings, one.of, one.looks_back) for one in others]
    assert needs not in every, "or the choice would be by name"
