"""Where a search begins: where the lens was last, less what was put under it since, or where its model was."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.sweep.expected import expected_offset_um
from benchd.files.loading import LoadedBench

LENS, TWIN = "L-0417", "L-0418"


class Findings:
    """A record that holds these, newest first."""

    def __init__(self, *docs: dict[str, Any]) -> None:
        self._docs = docs

    async def findings(self, *, assessment: str, limit: int, lens: str | None = None) -> list[dict[str, Any]]:
        return [doc for doc in self._docs if doc["assessment"] == assessment and lens in (None, doc["lens"])][:limit]


def finding(
    lens: str, error_um: float | None, fitted_um: list[float] | None = None, **measurand: Any
) -> dict[str, Any]:
    return {
        "assessment": "flange", "lens": lens, "values": {"focus_error": {"value": error_um}},
        "measurand": {"arrangement": "wall", "ring": "infinity", **measurand},
        "advice": None if fitted_um is None else {"fitted_um": fitted_um},
    }  # fmt: skip


async def expected(wall: LoadedBench, *docs: dict[str, Any], lens: str | None = LENS, ring: Any = "infinity") -> Any:
    setup = SetupDocument.model_validate({"arrangement": "wall", "lens": lens, "ring": ring}, strict=False)
    return await expected_offset_um(Findings(*docs), wall.records, setup)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("docs", "offset_um"),
    [
        ([], None),
        ([finding(LENS, 17.6, [50.0])], 17.6),
        # 30 were under it then and 50 are now: the 20 more bring the image 20 nearer the seat.
        ([finding(LENS, 17.6, [30.0])], -2.4),
        ([finding(LENS, 17.6, None)], 17.6),
        ([finding(TWIN, 9.0, [30.0])], 9.0),
        ([finding(TWIN, 9.0), finding(LENS, 17.6)], 17.6),
        ([finding("L-9999", 9.0)], None),
        ([finding(LENS, None)], None),
        ([finding(LENS, 17.6, arrangement="collimated")], None),
        ([finding(LENS, 17.6, ring="hard_stop")], None),
        ([finding(LENS, 900.0)], None),
    ],
)
async def test_where_it_is_expected(wall: LoadedBench, docs: list[dict[str, Any]], offset_um: float | None) -> None:
    assert await expected(wall, *docs) == (None if offset_um is None else pytest.approx(offset_um))


async def test_without_a_lens_nothing_is(wall: LoadedBench) -> None:
    assert await expected(wall, finding(LENS, 17.6), lens=None) is None


async def test_a_ring_at_a_mark_is_held_against_the_mark(wall: LoadedBench) -> None:
    at_mark = {"mark": 2.0}
    assert await expected(wall, finding(LENS, 17.6, ring=at_mark), ring=at_mark) == 17.6
    assert await expected(wall, finding(LENS, 17.6, ring={"mark": 5.0}), ring=at_mark) is None


def test_the_lens_of_the_shipped_bench_has_50_under_it(wall: LoadedBench) -> None:
    assert wall.records.lens(LENS).shims_fitted_um == (50,)
    assert Path(wall.records.sources["lens", LENS].path).name == f"{LENS}.yaml"
