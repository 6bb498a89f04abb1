"""The conjugate term by arrangement, ring and route, and the wall that is too near to judge by."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest

from benchd.arrangements.wall import too_near
from benchd.bench.datum.chain import Chain
from benchd.errors import Refused
from benchd.files.artefacts import FocalLength
from benchd.files.bench_file import ArrangementEntry
from benchd.files.loading import LoadedBench
from benchd.files.records_folder import Records
from benchd.metrology.budget import Part
from benchd.metrology.chain_term import ChainTerm
from tests.bench.datum.wall_chain import chain_of


def conjugate(chain: Chain) -> tuple[float, float]:
    assert chain.conjugate is not None
    return chain.conjugate.value_um, chain.conjugate.u_um


def with_focal_length(bench: LoadedBench, f_mm: float, u_mm: float) -> LoadedBench:
    lens = bench.records.lens("L-0417").model_copy(update={"focal_length_mm": FocalLength(value=f_mm, u=u_mm)})
    records = Records(bench.records.adapters, bench.records.glasses, bench.records.references, {"L-0417": lens})
    return LoadedBench(bench.file, bench.source, records)


# Newton's formula with D from object to image, as focus scales are engraved, thin lens: f = 50 mm.
@pytest.mark.published
@pytest.mark.parametrize(("distance_mm", "shift_um"), [(2000, 1316.702), (1000, 2786.405), (5000, 510.257)])
def test_shift_of_a_near_wall(wall: LoadedBench, distance_mm: float, shift_um: float) -> None:
    value, _ = conjugate(chain_of(with_focal_length(wall, 50.0, 0.1), ring="infinity", distance_mm=distance_mm))
    assert value == pytest.approx(shift_um, abs=6e-4)


def test_the_least_doubtful_route_is_taken_and_named(wall: LoadedBench) -> None:
    by_distance = chain_of(wall, ring="infinity", distance_mm=5000)
    good_m = chain_of(wall, ring="infinity", distance_mm=5000, m={"value": 0.0101217, "u": 0.0000101})
    m_alone = chain_of(wall, ring="infinity", m={"value": 0.0101217, "u": 0.0000101})
    assert by_distance.conjugate is not None
    assert by_distance.conjugate.source == "distance and focal length"
    assert good_m.conjugate is not None
    assert good_m.conjugate.source == "m and distance measured"
    assert m_alone.conjugate is not None
    assert m_alone.conjugate.source == "m measured"
    # A stop is taken for infinity.
    assert conjugate(chain_of(wall, ring="hard_stop", distance_mm=5000)) == conjugate(by_distance)
    assert conjugate(good_m)[1] < conjugate(m_alone)[1] < conjugate(by_distance)[1]
    assert conjugate(by_distance)[0] == pytest.approx(conjugate(good_m)[0], abs=0.5)


def test_the_line_shows_what_each_of_its_inputs_adds(wall: LoadedBench) -> None:
    """Told to 'measure m and the distance better' a person bettered the distance, which was the least of the three."""
    at: dict[str, Any] = {"ring": "infinity", "distance_mm": 5000, "m": {"value": 0.0101217, "u": 0.0000101}}
    term = chain_of(wall, **at).conjugate
    assert term is not None
    parts = {part.name: part.u for part in term.parts}
    assert set(parts) == {"m", "gap", "distance"}
    assert math.hypot(*parts.values()) == pytest.approx(term.u_um)
    # x' = (T - h) m^2/(1 + m)^2, by hand: 2 T m u(m)/(1 + m)^3, and u(h) m^2/(1 + m)^2.
    assert parts["m"] == pytest.approx(1000 * 2 * 5000 * 0.0101217 * 0.0000101 / 1.0101217**3, rel=0.02)
    assert parts["gap"] > parts["distance"]
    at_mark = chain_of(wall, ring={"mark": 5}, distance_mm=5000).conjugate
    assert at_mark is not None
    assert math.hypot(*(part.u for part in at_mark.parts)) == pytest.approx(at_mark.u_um)
    assert {part.name for part in at_mark.parts} <= {"focal length", "gap", "distance"}


def test_how_well_an_uncertainty_is_known_is_stated_and_used(wall: LoadedBench) -> None:
    """'> 9999 degrees of freedom' rested on guesses; one that is known to 25 % has 8 (JCGM 100, G.4.2)."""
    by_distance = chain_of(wall, ring="infinity", distance_mm=5000).conjugate
    lens = wall.records.lens("L-0417")
    guessed = lens.model_copy(update={"focal_length_mm": lens.focal_length_mm.model_copy(update={"dof": 8.0})})
    records = Records(wall.records.adapters, wall.records.glasses, wall.records.references, {"L-0417": guessed})
    known = chain_of(LoadedBench(wall.file, wall.source, records), ring="infinity", distance_mm=5000).conjugate
    assert by_distance is not None
    assert by_distance.dof is None
    assert known is not None
    # Welch-Satterthwaite by hand: the whole to the fourth over the focal length's part to the fourth, times 8.
    (part,) = [part.u for part in known.parts if part.name == "focal length"]
    assert known.dof == pytest.approx(8.0 * (known.u_um / part) ** 4)
    joint = wall.file.joint.model_copy(update={"dof": 8.0})
    stated = LoadedBench(wall.file.model_copy(update={"joint": joint}), wall.source, wall.records)
    dofs = {term.term: term.dof for term in chain_of(stated, ring="infinity", distance_mm=5000).budget}
    assert dofs["joints"] == 8.0


def test_ring_set_to_the_wall_takes_nothing_off_and_needs_no_focal_length(wall: LoadedBench) -> None:
    value, u = conjugate(chain_of(wall, ring={"mark": 5}, distance_mm=5000))
    assert value == pytest.approx(0.0, abs=1e-9)
    # f and the gap cancel; the tape's 3 mm are left, m^2 / (1 - m^2) each.
    m = 0.01012
    assert u == pytest.approx(3000.0 * m * m / (1 - m * m), rel=0.01)


def test_at_a_mark_it_is_the_difference_of_two_shifts(wall: LoadedBench) -> None:
    at_mark = chain_of(wall, ring={"mark": 2}, distance_mm=5000)
    far = conjugate(chain_of(wall, ring="infinity", distance_mm=5000))[0]
    near = conjugate(chain_of(wall, ring="infinity", distance_mm=2000))[0]
    assert conjugate(at_mark)[0] == pytest.approx(far - near, abs=1e-6)
    # Independent propagation by hand: slopes 2m/(1-m) in f and m^2/(1-m^2) in T and h, the mark's taken off.
    m_far, m_near = far / 49600.0, near / 49600.0
    slope_f = 2 * m_far / (1 - m_far) - 2 * m_near / (1 - m_near)
    slope_far, slope_near = (m * m / (1 - m * m) for m in (m_far, m_near))
    by_hand = math.hypot(slope_f * 200.0, (slope_far - slope_near) * 10_000.0, slope_far * 3000.0)
    assert conjugate(at_mark)[1] == pytest.approx(by_hand, rel=1e-3)
    assert at_mark.absolute
    assert any("error of the focus scale" in note for note in at_mark.notes)
    assert conjugate(chain_of(wall, ring={"mark": "inf"}, distance_mm=5000)) == conjugate(
        chain_of(wall, ring="infinity", distance_mm=5000)
    )


@pytest.mark.parametrize(
    ("ring", "distance", "why"),
    [
        ("free", 5000, "The ring stands free"),
        (None, 5000, "The ring's position is not stated"),
        ("infinity", None, "The distance to the wall is not"),
    ],
)
def test_what_is_not_stated_makes_findings_relative(wall: LoadedBench, ring: Any, distance: Any, why: str) -> None:
    chain = chain_of(wall, ring=ring, distance_mm=distance)
    assert conjugate(chain) == (0.0, 0.0)
    assert not chain.absolute
    assert chain.notes[0].startswith(why)
    assert chain_of(wall, ring="infinity", distance_mm=5000).absolute


@pytest.mark.parametrize("ring", ["infinity", "hard_stop", {"mark": 5}])
@pytest.mark.parametrize(
    ("m", "u_m", "times_u"),
    # T - h = f (1 + m)^2 / m, f 49.6 mm (u .2), T 5000 (3), h 0 (10): m .010122. By hand, u: of f m (1 + m)/(f (1 - m))
    # .2 = 4.165e-5, of T and h m^2/(f (1 - m^2)) 10.44 = 2.157e-5, together 4.690e-5.
    [(0.0110, 1e-5, 18.3), (0.10138, 1e-4, 826.0), (0.0100, 1e-5, 2.54), (0.010122, 1e-5, 0.0), (0.0098, 2e-4, 1.57)],
)
def test_an_m_that_distance_and_focal_length_do_not_bear_out_is_told_and_not_judged_by(
    wall: LoadedBench, ring: Any, m: float, u_m: float, times_u: float
) -> None:
    chain = chain_of(wall, ring=ring, distance_mm=5000, m={"value": m, "u": u_m})
    told = [note for note in chain.notes if "contradict" in note]
    if times_u <= 3.0:
        assert (chain.absolute, chain.why_relative, told) == (True, (), [])
        return
    assert not chain.absolute
    assert chain.why_relative == ("the distance to the wall and m contradict each other",)
    (note,) = told
    found = re.search(r"([\d.e+]+) times their combined u", note)
    assert found
    assert float(found[1]) == pytest.approx(times_u, rel=0.01)
    for named in ("5000 mm", "49.6 mm", "0.01012", "distance_mm", "m again", "focal_length_mm", "L-0417", "ring"):
        assert named in note


def test_a_contradiction_says_how_far_the_shift_goes_by_which_is_believed(wall: LoadedBench) -> None:
    chain = chain_of(wall, ring="infinity", distance_mm=5000, m={"value": 0.0110, "u": 1e-5})
    # f m = 545.6; by the distance 502.0; (T - h) m^2 / (1 + m)^2 = 591.9.
    assert any("the shift of the wall is 502 to 592 µm" in note for note in chain.notes)


def test_an_engraved_focal_length_contradicts_less(wall: LoadedBench) -> None:
    stated: dict[str, Any] = {"ring": "infinity", "distance_mm": 5000, "m": {"value": 0.01038, "u": 1e-5}}
    assert not chain_of(wall, **stated).absolute
    assert chain_of(with_focal_length(wall, 50.0, 0.5), **stated).absolute


def test_nothing_contradicts_where_one_of_the_two_is_not_stated(wall: LoadedBench) -> None:
    assert chain_of(wall, ring="infinity", m={"value": 0.0110, "u": 1e-5}).absolute


@pytest.mark.parametrize("stated", [{"distance_mm": 5000}, {"m": {"value": 0.0110, "u": 1e-5}}])
def test_of_a_wall_nothing_is_taken_where_there_is_none(collimated: LoadedBench, stated: dict[str, Any]) -> None:
    with pytest.raises(Refused, match="There is no wall on this bench") as refused:
        chain_of(collimated, ring="infinity", **stated)
    assert (refused.value.code, refused.value.data) == ("bad_request", {"key": next(iter(stated))})


def test_collimated_light_needs_no_distance(collimated: LoadedBench) -> None:
    chain = chain_of(collimated, ring="infinity")
    assert chain.absolute
    # What the collimator's light is off by, in 1/m, times f^2: 49.6 mm squared at 4e-4 / m (Newton).
    assert conjugate(chain)[0] == 0.0
    assert conjugate(chain)[1] == pytest.approx(0.984, abs=1e-3)
    assert chain.conjugate is not None
    assert chain.conjugate.source == "collimator, bench file"
    assert not any("collimator" in note for note in chain.notes)
    # At a mark the image of infinity lies shallower by the mark's own shift.
    value, u = conjugate(chain_of(collimated, ring={"mark": 5}))
    assert value == pytest.approx(-502.04, abs=0.02)
    assert u > 1.0
    assert not chain_of(collimated, ring="free").absolute


def test_a_collimator_that_nothing_is_stated_of_is_told(collimated: LoadedBench) -> None:
    file = collimated.file.model_copy(update={"arrangement": ArrangementEntry(kind="collimated")})
    for ring in ("infinity", {"mark": 5}):
        chain = chain_of(LoadedBench(file, collimated.source, collimated.records), ring=ring)
        assert any("u_vergence_per_m" in note and "taken as zero" in note for note in chain.notes)
        assert conjugate(chain)[1] < conjugate(chain_of(collimated, ring=ring))[1]


def test_at_its_stop_the_place_of_the_stop_is_part_of_the_error_and_told(
    wall: LoadedBench, collimated: LoadedBench
) -> None:
    for bench, distance_mm in ((wall, 5000), (collimated, None)):
        at_stop, elsewhere = (chain_of(bench, ring=ring, distance_mm=distance_mm) for ring in ("hard_stop", "infinity"))
        assert any("place of the stop" in note for note in at_stop.notes)
        assert not any("place of the stop" in note for note in elsewhere.notes)


def test_a_wall_within_four_focal_lengths_is_refused(wall: LoadedBench) -> None:
    with pytest.raises(Refused) as caught:
        chain_of(wall, ring="infinity", distance_mm=190)
    assert caught.value.code == "wall_too_near"
    assert "L-0417" in caught.value.text


def test_wall_too_near_is_said_where_even_a_perfect_lens_could_not_pass() -> None:
    # ISO 14253-1 / JCGM 106: with u = 5 and +-10, v = 0 conforms with .95450, so 5.1 is just enough and 5.2 is not.
    def said_of(*parts: float) -> str | None:
        named = tuple(Part(name, u_um) for name, u_um in zip(("focal length", "distance"), parts, strict=False))
        term = ChainTerm("conjugate", 500.0, math.hypot(*parts), None, "normal", "distance", parts=named)
        return too_near(term, -10, 10)

    assert said_of(5.0) is None
    assert said_of(0.0) is None
    said = said_of(5.19, 0.3)
    assert said is not None
    assert said.startswith("Wall too near:")
    assert "collimate" in said.lower()
    assert "Most of it is the focal length, u = 5.2 µm." in said
