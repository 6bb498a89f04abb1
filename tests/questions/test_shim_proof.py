"""What the two measurements of a shim's proof have in common: by their set-ups, and the terms of their chains."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.questions.shim_proof import _changed

TERMS = (("base", -24004.0, 0.67), ("glass pane-25", 857.8, 0.87), ("conjugate", 507.8, 1.5), ("joints", 0.0, 0.99))
FINDING = {"calibrations": ["cal-1"], "measurand": {"merit": "edge", "lp_mm": 40.0}}


def set_up(*, terms: tuple[tuple[str, float, float], ...] = TERMS, **more: Any) -> dict[str, Any]:
    chain = [{"term": name, "value_um": value, "u_um": u} for name, value, u in terms]
    m = {"value": 0.01018, "u": 1e-5}
    return {"adapters": ["ring-07"], "ring": "infinity", "distance_rev": 4, "m": m, "chain": chain, **more}


def changed(after: dict[str, Any], now: dict[str, Any] = FINDING, *, anew: bool = False) -> tuple[str, ...]:
    return _changed(set_up(), after, FINDING, now, anew=anew)


def otherwise(name: str, value: float, u: float) -> tuple[tuple[str, float, float], ...]:
    return tuple((name, value, u) if term[0] == name else term for term in TERMS)


def test_the_same_is_the_same() -> None:
    assert changed(set_up()) == ()
    assert changed(set_up(terms=otherwise("joints", 0.0, 0.7))) == (), "of each time"


def test_a_record_that_was_corrected_in_between_is_a_change() -> None:
    """A plate's thickness corrected by 50 um moved nominal by 17, and the proof said that shims do not explain it."""
    assert changed(set_up(terms=otherwise("glass pane-25", 875.0, 0.87))) == ("glass pane-25",)
    assert changed(set_up(terms=otherwise("glass pane-25", 857.8, 0.4))) == ("glass pane-25",)


def test_a_term_that_is_gone_is_a_change() -> None:
    assert changed(set_up(terms=TERMS[1:])) == ("base",)


@pytest.mark.parametrize(
    ("after", "now", "told"),
    [
        (set_up(ring="hard_stop"), FINDING, "ring"),
        (set_up(distance_rev=9), FINDING, "distance_mm"),
        (set_up(), {**FINDING, "calibrations": ["cal-2"]}, "calibrations"),
        (set_up(), {**FINDING, "measurand": {"merit": "edge", "lp_mm": 60.0}}, "lp_mm"),
    ],
)
def test_what_was_set_up_or_measured_otherwise_is_a_change(
    after: dict[str, Any], now: dict[str, Any], told: str
) -> None:
    assert changed(after, now) == (told,)


def test_m_told_anew_is_a_change_but_by_the_same_marks() -> None:
    anew = set_up(m={"value": 0.01019, "u": 1e-5}, terms=otherwise("conjugate", 508.8, 1.5))
    assert changed(anew) == ("m",)
    assert changed(anew, anew=True) == ()
