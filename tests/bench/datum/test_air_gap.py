"""A cover with air behind it, as over a sensor: what it changes in the chain and what it does not.

A plane-parallel layer moves the image by t (1 - 1/n) (any optics text), so that one of n = 1 moves it by nothing; it
takes room all the same, and a gauge's tip that rests on the cover stands off the target by it.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import SetupDocument, apply, first_setup
from benchd.bench.datum.chain import Chain, datum_chain
from benchd.bench.datum.clearance import clearance
from benchd.files.artefacts import Glass
from benchd.files.bench_file import BenchFile
from benchd.files.loading import LoadedBench, load_bench
from benchd.files.problems import FileProblems
from benchd.files.source import read_model
from benchd.procedures.record_facts import facts
from benchd.questions.gauge_inputs import cover_length

SHIPPED = Path(__file__).parents[3] / "configs" / "workshop-collimated" / "bench.yaml"
PLATE = "{thickness_mm: 0.7, u_mm: 0.01, index: 1.523, u_index: 0.001, at_nm: 546}"
GAP = "{air_gap_mm: 0.5, u_mm: 0.02}"


def bench_with(cover: str, folder: Path) -> LoadedBench:
    text = SHIPPED.read_text(encoding="utf-8").replace(
        "records: ../workshop", f"records: {SHIPPED.parents[1]}/workshop"
    )
    assert text.count("cover: []") == 1
    path = folder / "bench.yaml"
    path.write_text(text.replace("cover: []", f"cover: [{cover}]"), encoding="utf-8")
    return load_bench(path)


def set_up(bench: LoadedBench, **more: Any) -> SetupDocument:
    return apply(
        first_setup(bench.file), {"lens": "L-0417", "adapters": ["ring-07"], **more}, bench.records, bench.file
    )


def chain_of(bench: LoadedBench) -> Chain:
    return datum_chain(bench.file, bench.records, set_up(bench), {}, None)


def test_air_behind_a_cover_leaves_the_chain_and_lengthens_what_the_gauge_stands_on(tmp_path: Path) -> None:
    """It could not be stated: calibrated by gauge, the base came out short by the whole gap."""
    plain, airy = bench_with(PLATE, tmp_path), bench_with(f"{PLATE}, {GAP}", tmp_path)
    terms = [[one for one in chain_of(bench).terms if one.term == "target_cover"] for bench in (plain, airy)]
    assert terms[0] == terms[1]
    assert terms[1][0].value_um == pytest.approx(700 * (1 - 1 / 1.523))
    assert chain_of(plain).carriage_um == chain_of(airy).carriage_um
    over = cover_length(airy.file)
    assert over is not None
    assert over.length_um == pytest.approx(1200.0)
    assert over.u_um == pytest.approx(1000 * (0.01**2 + 0.02**2) ** 0.5)
    least = [clearance(bench.file, bench.records, set_up(bench)).least_depth_um for bench in (plain, airy)]
    assert least[0] is not None
    assert least[1] == pytest.approx(least[0] + 500.0)
    reach = [facts(bench, lambda _: None, "reference", "collar-45")["reach_um"] for bench in (plain, airy)]
    assert reach[1] - reach[0] == pytest.approx(500.0)


def test_air_between_the_panes_of_a_glass(tmp_path: Path) -> None:
    path = tmp_path / "double.yaml"
    path.write_text(f"glass: double\nlayers: [{PLATE}, {GAP}, {PLATE}]\n", encoding="utf-8")
    double = read_model(path, Glass)
    assert double.thickness_mm == pytest.approx(1.9)
    bench = load_bench(SHIPPED)
    glasses = {**bench.records.glasses, "double": double}
    records = type(bench.records)(bench.records.adapters, glasses, bench.records.references, bench.records.lenses)
    setup = apply(first_setup(bench.file), {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["double"]}, records,
                  bench.file)  # fmt: skip
    (term,) = (one for one in datum_chain(bench.file, records, setup, {}, None).terms if one.term == "glass double")
    assert term.value_um == pytest.approx(2 * 700 * (1 - 1 / 1.523))


@pytest.mark.parametrize(
    ("cover", "key", "words"),
    [
        (GAP, "target.cover", "a plate first"),
        (f"{PLATE}, {{air_gap_mm: 500, u_mm: 0.02}}", "target.cover[1].air_gap_mm", "0.5 is meant"),
        (f"{PLATE}, {{air_gap_mm: 0.5, u_mm: 20}}", "target.cover[1].u_mm", "0.02 is meant"),
        (f"{PLATE}, {{air_gap_mm: 0.5, u_mm: 0.02, index: 1.0}}", "target.cover[1].index", "unknown key"),
        (f"{PLATE}, {{air_gap_mm: 0.5}}", "target.cover[1].u_mm", "this key is needed"),
    ],
)
def test_a_gap_that_may_not_stand_is_refused(tmp_path: Path, cover: str, key: str, words: str) -> None:
    with pytest.raises(FileProblems) as caught:
        bench_with(cover, tmp_path)
    (problem,) = caught.value.problems
    assert problem.key == key
    assert words in problem.allowed


def test_a_glass_ends_with_a_plate(tmp_path: Path) -> None:
    path = tmp_path / "open.yaml"
    path.write_text(f"glass: open\nlayers: [{PLATE}, {GAP}]\n", encoding="utf-8")
    with pytest.raises(FileProblems, match="a plate last"):
        read_model(path, Glass)


def test_the_models_take_what_they_are_given_as_objects(tmp_path: Path) -> None:
    file = bench_with(f"{PLATE}, {GAP}", tmp_path).file
    assert BenchFile.model_validate(file.model_dump(), strict=False).target.cover == file.target.cover
