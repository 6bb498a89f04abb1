"""A truncated file is named, not guessed; the copy from when it last loaded well is offered."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchd.files.last_good import keep_good, with_copies
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems

WORKSHOP = Path(__file__).parents[2] / "configs" / "workshop"


@pytest.mark.parametrize("file", ["bench.yaml", "adapters/ring-07.yaml", "lenses/L-0417.yaml"])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.8])
def test_truncated_configuration(tmp_path: Path, file: str, share: float) -> None:
    bench, kept = tmp_path / "bench", tmp_path / "kept"
    shutil.copytree(WORKSHOP, bench)
    keep_good(load_bench(bench / "bench.yaml"), kept)
    whole = (bench / file).read_text()
    (bench / file).write_text(whole[: int(share * len(whole))])
    with pytest.raises(FileProblems) as caught:
        load_bench(bench / "bench.yaml")
    assert {problem.file for problem in caught.value.problems} == {str(bench / file)}
    offered = with_copies(caught.value, kept)
    assert offered.problems == caught.value.problems
    assert f"{bench / file}: {kept / file}" in offered.advice
    # Nothing was mended behind the person's back, and the copy is the whole file.
    assert (bench / file).read_text() != whole
    assert (kept / file).read_text() == whole


def test_where_no_copy_exists_none_is_offered(tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("bench: [\n")
    with pytest.raises(FileProblems) as caught:
        load_bench(tmp_path / "bench.yaml")
    assert with_copies(caught.value, tmp_path / "kept") is caught.value


def test_a_good_copy_follows_the_file(tmp_path: Path) -> None:
    bench, kept = tmp_path / "bench", tmp_path / "kept"
    shutil.copytree(WORKSHOP, bench)
    keep_good(load_bench(bench / "bench.yaml"), kept)
    text = (bench / "bench.yaml").read_text().replace("settle_ms: 150", "settle_ms: 200")
    (bench / "bench.yaml").write_text(text)
    keep_good(load_bench(bench / "bench.yaml"), kept)
    assert (kept / "bench.yaml").read_text() == text
    assert not list(kept.rglob("*.new"))
