"""What base, adapters and place owe to one carriage and one gauge, against draws of both: JCGM 100, 5.2.2, F.1.2.3.

A gauge's tip comes to ring, base and seats each from a side of its own, the same in every calibration; a carriage tips
by a function of place. Both were counted as if each calibration had a gauge and a carriage to itself.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchd.arrangements.setup_document import apply, first_setup
from benchd.assessments.lines import shares_of
from benchd.bench.datum.bounded_terms import tipping_u_um
from benchd.bench.datum.calibration import in_force
from benchd.bench.datum.chain import CalibrationInForce, Chain, ScaleRecord, Shares, datum_chain
from benchd.files.loading import LoadedBench, load_bench
from benchd.records.values import Calibration

CONFIGS = Path(__file__).parents[3] / "configs"
SCALE = ScaleRecord(u_scale=0.0, subdivision_um=0.0, alpha_per_K=None)
LENGTHS = {"gap-03": 3001.0, "gap-04": 4000.5, "ring-07": 18003.2}
RING_UM, BASE_UM = 45000.0, 24000.0
H, GAIN = 3.0, 0.01
DRAWS = 4000


@pytest.fixture(scope="module")
def bench() -> LoadedBench:
    return load_bench(CONFIGS / "workshop-collimated" / "bench.yaml")


def found_by_gauge(adapters: list[str], apart_um: float) -> dict[str, CalibrationInForce]:
    """Zero and adapters as the shipped procedures find them: the tip 45 mm below base face and upper seat."""
    by_gauge = Shares(hysteresis_um=H / math.sqrt(2.0), gain_um=GAIN * apart_um)
    on_base = RING_UM - BASE_UM
    zero = CalibrationInForce("cal-1", "bench-zero", BASE_UM, 5.0, carriage_um=on_base, shares=by_gauge)
    lengths = {
        one: CalibrationInForce(
            f"cal-{one}", one, LENGTHS[one], 5.0, carriage_um=on_base - LENGTHS[one],
            shares=replace(by_gauge, abbe_um=0.35),
        )
        for one in adapters
    }  # fmt: skip
    return {"bench-zero": zero, **lengths}


def chain_of(bench: LoadedBench, adapters: list[str], known: dict[str, CalibrationInForce]) -> Chain:
    fitted = {"lens": "L-0417", "adapters": adapters, "ring": "infinity", "temperature_C": 20.0}
    setup = apply(first_setup(bench.file), fitted, bench.records, bench.file)
    return datum_chain(bench.file, bench.records, setup, known, SCALE)


def line(chain: Chain, name: str) -> float:
    (found,) = [one for one in chain.budget if one.term == name]
    return found.u_um


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("adapters", [["ring-07"], ["gap-03", "ring-07"], ["gap-03", "gap-04", "ring-07"]])
def test_one_gauge_is_off_by_its_hysteresis_at_ring_base_and_seat(bench: LoadedBench, adapters: list[str]) -> None:
    rng = np.random.default_rng(11)
    ring, base, seat = (H / 2.0 * rng.choice((-1.0, 1.0), DRAWS) for _ in range(3))
    off = (base - ring) + len(adapters) * (seat - base)
    stated = line(chain_of(bench, adapters, found_by_gauge(adapters, 0.0)), "gauge hysteresis")
    assert rms(off / stated) == pytest.approx(1.0, abs=0.05)


def test_the_base_s_face_drops_out_with_one_adapter(bench: LoadedBench) -> None:
    """Two hystereses stood in the budget of a bench that has one left."""
    (alone,) = {line(chain_of(bench, ["ring-07"], found_by_gauge(["ring-07"], 0.0)), "gauge hysteresis")}
    assert alone == pytest.approx(H / math.sqrt(2.0))
    two = line(chain_of(bench, ["gap-03", "ring-07"], found_by_gauge(["gap-03", "ring-07"], 0.0)), "gauge hysteresis")
    assert two == pytest.approx(H / 2.0 * math.sqrt(1.0 + 1.0 + 4.0))


def test_one_gain_is_at_fault_in_every_length(bench: LoadedBench) -> None:
    """Which way the gauge read off is not kept: taken as one gain both times, the sum bounds what it did."""
    rng = np.random.default_rng(12)
    stated = line(chain_of(bench, ["ring-07"], found_by_gauge(["ring-07"], 100.0)), "gauge gain")
    alike = GAIN * rng.standard_normal(DRAWS) * (100.0 + 100.0)
    assert rms(alike / stated) == pytest.approx(1.0, abs=0.05)


def tilts(rng: np.random.Generator, places_um: np.ndarray, most_um: float) -> np.ndarray:
    """What guides of drawn waves, traced over 30 mm, add to the scale at places: `most_um` apart at the most."""
    rail = np.linspace(0.0, 30_000.0, 301)
    found = []
    for _ in range(DRAWS // 4):
        waves = np.exp(rng.uniform(math.log(8_000.0), math.log(60_000.0), 2))
        phases = rng.uniform(0.0, 2.0 * math.pi, 2)
        height = rng.uniform(0.3, 1.0, 2)
        both = np.concatenate([rail, places_um])
        wave = (height[:, None] * np.sin(2.0 * math.pi * both / waves[:, None] + phases[:, None])).sum(axis=0)
        found.append(most_um * wave[len(rail) :] / np.ptp(wave[: len(rail)]))
    return np.array(found)


@pytest.mark.parametrize(("adapters", "least"), [([], 0.6), (["ring-07"], 0.4), (["gap-03", "gap-04", "ring-07"], 0.5)])
def test_one_carriage_tips_alike_for_all_who_read_there(bench: LoadedBench, adapters: list[str], least: float) -> None:
    """Never too little, and less by the more that places have in common: bounds are all that is stated of it."""
    if not adapters:
        bench = LoadedBench(
            bench.file.model_copy(update={"seat": "m50"}),
            bench.source,
            bench.records,
        )
    known = found_by_gauge(adapters, 0.0)
    chain = chain_of(bench, adapters, known)
    assert chain.carriage_um is not None
    on_base = RING_UM - BASE_UM
    places = [chain.carriage_um, on_base]
    signs = [1.0, -1.0]
    for one in adapters:
        places += [on_base, on_base - LENGTHS[one]]
        signs += [1.0, -1.0]
    up, side = 5.0 * 0.4 * 0.290888, 2.0 * 0.3 * 0.290888
    rng = np.random.default_rng(13)
    off = sum(tilts(rng, np.array(places), most) @ np.array(signs) for most in (up, side))
    z = off / line(chain, "abbe")
    assert least < rms(z) < 1.1
    assert np.mean(np.abs(z) < 1.96) > 0.95


def test_what_two_places_have_in_common_cancels(bench: LoadedBench) -> None:
    far = tipping_u_um(bench.file, [(1.0, 0.0), (-1.0, 25_000.0)])
    assert far is not None
    for apart, share in ((0.0, 0.0), (100.0, 0.06), (1000.0, 0.5), (10_000.0, 1.0)):
        found = tipping_u_um(bench.file, [(1.0, 5000.0), (-1.0, 5000.0 + apart)])
        assert found is not None
        assert found <= far * share + 1e-9
        assert found >= far * share * 0.5
    # Zero and adapter both read at 21 mm: what is left is the way from the adapter's seat to where the target stands.
    both = tipping_u_um(bench.file, [(1.0, 9000.0), (-1.0, 21_000.0), (1.0, 21_050.0), (-1.0, 3000.0)])
    assert both == pytest.approx(far, rel=0.01)


def test_a_calibration_keeps_its_own_line_where_the_bench_no_longer_states_one(bench: LoadedBench) -> None:
    silent = LoadedBench(bench.file.model_copy(update={"abbe": None}), bench.source, bench.records)
    known = found_by_gauge(["ring-07"], 0.0)
    own = math.sqrt(25.0 - H * H / 2.0)
    assert line(chain_of(silent, ["ring-07"], known), "adapter ring-07") == pytest.approx(own)
    own = math.sqrt(25.0 - H * H / 2.0 - 0.35**2)
    assert line(chain_of(bench, ["ring-07"], known), "adapter ring-07") == pytest.approx(own)


def test_what_a_calibration_shares_is_read_from_its_finding() -> None:
    row = Calibration(
        "cal-2", "ring-07", 18003.2, 0.9, "um", 20.0, 8.0, (), "f-3", None, "anna", "2031-04-05T09:20:02Z"
    )
    lines = {"scale": 0.18, "abbe": 0.35, "gauge hysteresis": 0.21, "gauge gain": 0.1, "remounts": 0.3}
    doc = {
        "calibrates": [
            {"artefact": "ring-07", "value": "length", "carriage_um": 2997.0, "shares": shares_of(lines)},
        ],
    }
    found = in_force(row, doc)
    assert found is not None
    assert found.shares == Shares(0.18, 0.35, 0.21, 0.1)
    assert found.carriage_um == 2997.0
