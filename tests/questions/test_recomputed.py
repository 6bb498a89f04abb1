"""Which readings of the record make the curve of a finding again: those of its merit, whichever channels that has."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from benchd.errors import Refused
from benchd.questions.flange.recomputed import points_of, recompute
from benchd.records.values import ReadingRow

HWHM_UM, U = 37.0, 0.002


def finding(merit: str, first: int, last: int) -> dict[str, Any]:
    measurand = {"arrangement": "wall", "merit": merit, "f_number": 2.0, "lp_mm": 40.0, "light_nm": 546.0}
    return {"finding": "f-1", "measurand": measurand, "readings": {"run": "r-0001", "indices": [first, last]}}


def row(idx: int, channel: str, value: float | None, offset_um: float = 0.0) -> ReadingRow:
    return ReadingRow(
        run="r-0001", idx=idx, t_utc="", t_mono=float(idx), offset_um=offset_um, carriage_um=9000.0 + offset_um,
        device="detector", channel=channel, value=value, unit="1", quality="bad" if value is None else "good",
        u=None if value is None else U,
    )  # fmt: skip


def rows_of(merit: str, *channels: str, begin: int = 0, peak_um: float = 3.0) -> list[ReadingRow]:
    """A bell, in the order of the record: by index, then by channel."""
    rng = np.random.default_rng(4)
    z = rng.permutation(np.linspace(-1.5 * HWHM_UM, 1.5 * HWHM_UM, 25))
    return [
        row(begin + i, f"{merit}.{channel}", _bell(float(one) - peak_um) + float(rng.normal(0.0, U)), float(one))
        for i, one in enumerate(z)
        for channel in sorted(channels)
    ]


def _bell(off_um: float) -> float:
    return 0.8 * math.exp(-math.log(2.0) * (off_um / HWHM_UM) ** 2)


def test_channels_are_drawn_as_their_detector_has_them_and_others_by_name() -> None:
    assert list(recompute(finding("edge", 0, 24), rows_of("edge", "v", "h"), 0.1).curve.channels) == [
        "edge.v", "edge.h",
    ]  # fmt: skip
    rows = rows_of("gone", "sum", "left")
    assert list(recompute(finding("gone", 0, 24), rows, 0.1).curve.channels) == ["gone.left", "gone.sum"]


def test_one_channel_makes_a_curve_too() -> None:
    found = recompute(finding("gone", 0, 24), rows_of("gone", "level"), 0.1)
    assert abs(found.peak_um - 3.0) < 1.0
    assert found.curve.channels["gone.level"].value == found.curve.mean.value


def test_readings_of_another_merit_or_sweep_are_none_of_its_own() -> None:
    own, other = rows_of("edge", "v", "h", begin=25), rows_of("gone", "level", begin=30, peak_um=20.0)
    before = rows_of("edge", "v", "h", peak_um=-20.0)
    found = points_of(finding("edge", 25, 49), [*before, *own, *other])
    assert [point.idx for point in found] == list(range(25, 50))
    assert all(set(point.channels) == {"edge.v", "edge.h"} for point in found)
    assert not points_of(finding("edg", 25, 49), own)


def test_a_point_without_all_its_channels_is_left_out() -> None:
    rows = [row(0, "edge.h", 0.5), row(0, "edge.v", None), row(1, "edge.h", 0.6), row(1, "edge.v", 0.61)]
    assert [point.idx for point in points_of(finding("edge", 0, 1), rows)] == [1]


def test_a_finding_whose_readings_are_gone_has_no_curve() -> None:
    with pytest.raises(Refused, match="no readings of its sweep for f-1"):
        recompute(finding("edge", 0, 24), [], 0.1)
