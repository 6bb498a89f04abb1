"""Shim advice, against a search that tries everything."""

from __future__ import annotations

from itertools import combinations, combinations_with_replacement

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchd.metrology.shims import advice

STOCK = [10.0, 20.0, 50.0, 100.0]


def test_too_deep_is_mended_by_adding() -> None:
    found = advice(17.6, STOCK, [50.0])
    assert (found.shim_um, found.fit, found.remove) == (20.0, (20.0,), ())
    assert found.residual_um == pytest.approx(-2.4)
    assert (found.fitted_um, found.after_um) == ((50.0,), (50.0, 20.0))


def test_too_shallow_is_mended_by_removing() -> None:
    found = advice(-48.0, STOCK, [50.0])
    assert (found.shim_um, found.fit, found.remove, found.after_um) == (-50.0, (), (50.0,), ())
    assert found.residual_um == pytest.approx(2.0)


def test_an_exchange_when_neither_alone_will_do() -> None:
    found = advice(-31.0, STOCK, [50.0])
    assert (found.fit, found.remove, found.shim_um) == ((20.0,), (50.0,), -30.0)


def test_within_reach_of_no_shim_nothing_is_changed() -> None:
    for e in (4.9, -4.9, 0.0):
        found = advice(e, STOCK, [50.0])
        assert (found.fit, found.remove, found.residual_um) == ((), (), e)
    assert advice(30.0, [], []).shim_um == 0.0
    assert advice(-200.0, STOCK, []).shim_um == 0.0


def test_fewest_changes_then_fewest_shims() -> None:
    assert advice(100.0, STOCK, []).fit == (100.0,)
    assert advice(60.0, STOCK, []).fit == (50.0, 10.0)
    # +50: one sheet more, not 100 for 50.
    assert advice(50.0, STOCK, [50.0]).fit == (50.0,)
    # A stack at its limit takes an exchange instead of a fifth sheet.
    full = advice(10.0, STOCK, [10.0, 10.0, 10.0, 10.0])
    assert (full.fit, full.remove) == ((20.0,), (10.0,))


def test_binary_fractions_do_not_break_ties() -> None:
    assert advice(0.3, [0.1, 0.3], []).fit == (0.3,)


def test_a_shim_has_a_thickness() -> None:
    with pytest.raises(ValueError, match="thickness"):
        advice(10.0, [0.0, 10.0])


sheets = st.sampled_from([10.0, 15.0, 20.0, 25.0, 50.0, 75.0, 100.0])


@given(
    e=st.integers(-300, 400).map(lambda tenth: tenth / 2.0),
    stock=st.lists(sheets, max_size=3, unique=True),
    fitted=st.lists(sheets, max_size=3),
)
def test_no_change_of_at_most_four_sheets_is_better(e: float, stock: list[float], fitted: list[float]) -> None:
    found = advice(e, stock, fitted)
    assert found.residual_um == pytest.approx(e - found.shim_um)
    assert sorted(found.after_um) == sorted(_without(fitted, found.remove) + list(found.fit))
    assert sum(found.after_um) - sum(fitted) == pytest.approx(found.shim_um)
    assert len(found.after_um) <= 4
    best = (abs(found.residual_um), len(found.fit) + len(found.remove), len(found.after_um))
    for out in range(len(fitted) + 1):
        for removed in combinations(fitted, out):
            for into in range(4 - len(fitted) + out + 1):
                for fit in combinations_with_replacement(stock, into):
                    change = sum(fit) - sum(removed)
                    assert best <= (abs(e - change), out + into, len(fitted) - out + into)


def _without(fitted: list[float], removed: tuple[float, ...]) -> list[float]:
    left = list(fitted)
    for sheet in removed:
        left.remove(sheet)
    return left
