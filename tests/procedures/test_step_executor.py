"""Every kind of step carried out on a bench of fakes: what it does there, what it saves, what it is refused with."""

from __future__ import annotations

import shutil
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

import pytest

from benchd.devices import Ask
from benchd.errors import Refused
from benchd.files.loading import LoadedBench, load_bench
from benchd.procedures.library import Library
from benchd.procedures.steps import VERBS as KINDS
from tests.bench.datum.wall_chain import CONFIGS
from tests.fakes.bench import BASE_UM, COLLAR_UM, FakeBench, fake_bench, library, yes

STEPS: dict[str, str] = {
    "home": "[home: {axes: [carriage], only_if_unhomed: true}, home: {}]",
    "nominal": "[nominal: {}]",
    "move": "[move: {offset_um: 50}, move: {by_um: -20}, move: {depth_um: 52000}, move: {carriage_um: 5000}]",
    "light": "[light: {level: 0.4}, light: {stops_by: -1}, light: {on: false}, light: {on: true, for_s: 30}]",
    "camera": "[camera: {exposure_ms: 8, gain: 2}]",
    "read": "[read: {device: position, as: here}, read: {device: carriage}]",
    "setup": "[setup: {trim_um: 5}, setup: {trim_um: -12, follow: true}]",
    "wait": "[wait: {for_s: 90}]",
    "sweep": "[light: {level: 0.4}, sweep: {repeats: 2, lp_mm: 40}]",
    "reseated": "[light: {level: 0.4}, sweep: {}, reseated: {by: keeper}, sweep: {}]",
    "assess": "[light: {level: 0.4}, sweep: {}, assess: {name: flange}]",
    "found": """
  - light: {level: 0.4}
  - sweep: {}
  - assess: {name: flange}
  - ask: {kind: confirm, text: "Seen?"}
  - ask: {kind: confirm, text: "Done?"}
""",
    "ask": """
  - ask: {name: seated, kind: confirm, text: "Seated?"}
  - ask: {name: sure, kind: yes_no, text: "Sure?", save: sure}
  - ask: {name: colour, kind: choice, text: "Colour?", choices: [green, amber], save: colour}
  - ask: {name: pitch, kind: number, text: "Pitch?", unit: mm, save: pitch}
  - ask: {name: seen, kind: text, text: "You see ${colour}?", about: "${pitch}"}
  - ask: {name: sharp, kind: mark, text: "Sharp?"}
""",
    "if": """
  - ask: {kind: yes_no, text: "Well?", save: well}
  - if: {answer: well, is: true}
    then: [move: {carriage_um: 5000}]
    else: [move: {carriage_um: 6000}]
  - ask: {kind: number, text: "How many?", save: many}
  - if: {answer: many, above: 3}
    then: [light: {level: 0.4}]
  - if: {answer: many, below: 3}
    then: [light: {level: 0.2}]
""",
    "if_finding": """
  - light: {level: 0.4}
  - sweep: {}
  - assess: {name: flange}
  - if: {finding: flange, key: values.focus_error.value, above: 20}
    then: [move: {carriage_um: 5000}]
    else: [move: {carriage_um: 6000}]
""",
    "repeat": """
  - repeat: 2
    steps:
      - repeat: 2
        steps:
          - ask: {kind: yes_no, text: "Again?", save: last}
      - move: {by_um: 10}
  - if: {answer: last, is: true}
    then: [light: {level: 0.4}]
""",
    "magnification": "[magnification: {only_if_marked: true}]",
    "record": """
  - record: {kind: lens, id: L-0417, set: {shims_fitted_um: [50, 10]}}
  - nominal: {}
""",
    "for": """
  - for: {each: at_um, in: [-20, 35.5]}
    steps: [move: {offset_um: "${at_um}"}]
  - for: {each: ring, in: [gap-03, gap-04]}
    steps: [ask: {kind: confirm, text: "Seen ${ring}?"}]
""",
}
UNTIL = """
  - repeat: 5
    until: {answer: last, is: true}
    steps:
      - ask: {kind: yes_no, text: "Enough?", save: last}
  - light: {level: 0.4}
"""
INPUTS = """
inputs:
  depth_um: {type: length, unit: um}
  ring: {type: reference}
  lens: {type: lens}
  adapters: {type: list, of: adapter}
  m: {type: measured}
  times: {type: integer, default: 2}
steps:
  - setup: {lens: "${lens}", adapters: "${adapters}", m: "${m}", distance_mm: 5000}
  - move: {depth_um: "${depth_um}"}
  - move: {depth_um: "${ring.reach_um}"}
  - ask: {kind: number, text: "By how many um, of ${m.value}, ${lens.f_number}?", save: by}
  - repeat: "${times}"
    steps: [move: {by_um: "${by}"}]
"""
CALLED = """
inputs:
  to_um: {type: number}
steps:
  - ask: {kind: number, text: "Called?", save: by}
  - move: {carriage_um: "${to_um}"}
finally:
  - light: {level: 0}
"""
CALLS = """
steps:
  - ask: {kind: number, text: "Calling?", save: by}
  - light: {level: 0.4}
  - call: {procedure: called, inputs: {to_um: 7000}}
  - move: {by_um: "${by}"}
"""
LATE = """
steps:
  - move: {carriage_um: 5000}
  - ask: {kind: number, text: "Where?", save: to}
  - move: {carriage_um: "${to}"}
  - light: {level: 0.4}
"""
IN_VAIN: dict[str, tuple[str, dict[str, Any]]] = {
    "by_degrees": ("move", {"axis": "carriage", "to_deg": 5.0}),
    "not_driven": ("move", {"axis": "lamp", "by_um": 5.0}),
    "too_far": ("move", {"carriage_um": 40000.0}),
    "too_near": ("move", {"depth_um": 9000.0}),
    "home_a_lamp": ("home", {"axes": ["lamp"]}),
    "continuous": ("sweep", {"mode": "continuous"}),
    "many_points": ("sweep", {"span_um": 90000.0, "step_um": 0.001}),
    "no_gauge": ("read", {"device": "thermo"}),
    "no_reading": ("read", {"device": "target_light"}),
    "no_light": ("light", {"light": "lantern", "level": 0.2}),
    "no_camera": ("camera", {"camera": "lamp", "exposure_ms": 5.0}),
    "no_lens": ("setup", {"lens": "L-9999"}),
    "no_marks": ("magnification", {"pictures": 3}),
}
"""Procedures of one step, by name: what the step asks for, which no run can give."""
SEATED = """
steps:
  - setup: {lens: null, adapters: [], glass: []}
  - move: {carriage_um: 21000}
  - repeat: 2
    steps:
      - ask: {name: bridge, kind: confirm, text: "Bridge with the indicator on the base face?"}
      - read: {device: indicator, as: on_base}
      - move: {by_um: 100}
      - read: {device: indicator, as: moved, moved_from: on_base}
      - move: {by_um: -100}
"""


def flow(args: dict[str, Any]) -> str:
    return "{" + ", ".join(f"{key}: {value}" for key, value in args.items()).replace("'", "") + "}"


@pytest.fixture(scope="module")
def procedures(tmp_path_factory: pytest.TempPathFactory) -> Library:
    texts = {name: f"steps: {steps}" for name, steps in STEPS.items()}
    texts |= {name: f"steps: [{verb}: {flow(args)}]" for name, (verb, args) in IN_VAIN.items()}
    texts |= {"until": f"steps: {UNTIL}"}
    texts |= {"inputs": INPUTS, "called": CALLED, "calls": CALLS, "late": LATE, "seated": SEATED}
    return library(tmp_path_factory.mktemp("procedures"), texts)


@pytest.fixture
async def made(tmp_path: Path, wall: LoadedBench, procedures: Library) -> AsyncIterator[FakeBench]:
    """Homed, with a lens, at nominal, and somebody who says yes."""
    async with fake_bench(tmp_path, wall, procedures) as made:
        await made.ready()
        made.person.says = yes
        made.axis.asked.clear()
        made.told.clear()
        yield made


async def done(made: FakeBench, name: str, **inputs: Any) -> str:
    """Carried out to its end; gives the run."""
    run = await made.run(name, **inputs)
    assert await made.ended(run) == "done", made.events()
    return run


def stands(um: float) -> Any:
    return pytest.approx(um, abs=1.0)


def numbers(*values: float) -> Callable[[Ask], Any]:
    """Says these to what asks a number, one after the other, and else yes."""
    left = list(values)
    return lambda ask: left.pop(0) if ask.kind == "number" else yes(ask)


def test_every_kind_of_step_is_here() -> None:
    elsewhere = {"call": "calls", "accept": "tests/procedures/test_as_foreseen.py", "withdraw": "tests/virtual"}
    assert set(KINDS) == {*STEPS, *elsewhere} - {"if_finding", "found"}


async def test_a_loop_ends_once_its_condition_holds_after_a_turn(made: FakeBench) -> None:
    said = [False, False, True, True]
    made.person.says = lambda ask: said.pop(0)
    await done(made, "until")
    assert said == [True], "three of at most five turns"
    assert made.doc["state"] == "done"


async def test_a_loop_whose_condition_never_holds_is_as_long_as_it_says(made: FakeBench) -> None:
    asked = 0

    def no(ask: Ask) -> Any:
        nonlocal asked
        asked += 1
        return False

    made.person.says = no
    await done(made, "until")
    assert asked == 5


async def test_magnification(made: FakeBench) -> None:
    """The bench states no marks: nothing is done, and nothing is to be driven to anew."""
    before = made.bench.setup.document
    await done(made, "magnification")
    assert made.bench.setup.document == before


async def test_record(tmp_path: Path, procedures: Library) -> None:
    """The run's own step may change the lens that the run has on the bench; the carriage is to be driven then."""
    shutil.copytree(CONFIGS / "workshop", tmp_path / "workshop")
    loaded = load_bench(tmp_path / "workshop" / "bench.yaml")
    async with fake_bench(tmp_path, loaded, procedures) as made:
        await made.ready()
        before = made.bench.setup.document.rev
        await done(made, "record")
        assert made.bench.loaded.records.lens("L-0417").shims_fitted_um == (50, 10)
        assert made.bench.setup.document.rev > before
        assert not made.bench.setup.document.stale
    assert "shims_fitted_um: [50, 10]" in (tmp_path / "workshop" / "lenses" / "L-0417.yaml").read_text()


async def test_home(made: FakeBench) -> None:
    await done(made, "home")
    assert made.moves_um.count(None) == 1, "once, as it was homed when it began"


async def test_nominal(made: FakeBench) -> None:
    await made.bench.move_carriage(20_000.0)
    await done(made, "nominal")
    assert made.axis.carriage_um == stands(made.bench.nominal_target())


async def test_move(made: FakeBench) -> None:
    nominal_um, places = made.bench.nominal_target(), made.bench.setup.chain.places
    await done(made, "move")
    driven = [um for um in made.moves_um if um is not None]
    wanted = [nominal_um + 50.0, nominal_um + 30.0, places.carriage_for_depth(52_000.0), 5_000.0]
    assert [um for um in driven if any(um == stands(one) for one in wanted)] == pytest.approx(wanted, abs=1.0)


async def test_light(made: FakeBench) -> None:
    await done(made, "light")
    assert made.lamp.set_to == [0.4, 0.2, 0.0, 0.2]
    await made.clock.sleep(29.9)
    assert made.lamp.now == 0.2, "the run does not wait for it"
    await made.clock.sleep(0.2)
    assert made.lamp.now == 0.0


async def test_camera(made: FakeBench) -> None:
    await done(made, "camera")
    assert (made.camera.exposure.exposure_ms, made.camera.exposure.gain) == (8.0, 2.0)


async def test_read(made: FakeBench) -> None:
    rows = await made.bench.store.readings(await done(made, "read"))
    assert [(row.device, row.channel) for row in rows] == [("position", "here"), ("carriage", "value")]
    assert [row.value for row in rows] == [stands(made.axis.carriage_um)] * 2
    told = [doc for topic, doc in made.told if topic == "reading"]
    assert [doc["value"] for doc in told] == [row.value for row in rows]


async def test_setup(made: FakeBench) -> None:
    nominal_um, began = made.bench.nominal_target(), len(made.moves_um)
    await done(made, "setup")
    assert made.bench.setup.document.trim_um == -12.0
    assert len(made.moves_um) - began == 2, "only what follows moves"
    assert made.axis.carriage_um == stands(nominal_um - 12.0)


async def test_wait(made: FakeBench) -> None:
    began_s = made.clock.monotonic()
    await done(made, "wait")
    assert 90.0 <= made.clock.monotonic() - began_s < 90.5


async def test_sweep(made: FakeBench) -> None:
    made.error_um = 30.0
    rows = await made.bench.store.readings(await done(made, "sweep"))
    assert {row.channel for row in rows} == {"parabola.h", "parabola.v"}
    sharpest = max(rows, key=lambda row: row.value or 0.0)
    assert sharpest.offset_um == pytest.approx(30.0, abs=10.0)
    shares = [doc["progress"] for topic, doc in made.told if topic == "procedure" and doc["progress"] is not None]
    assert shares == sorted(shares)
    assert sum(0.1 < share < 0.9 for share in shares) > 10, "its progress is told point by point"


@pytest.mark.parametrize("off_um", [-40.0, 25.0])
async def test_assess(made: FakeBench, off_um: float) -> None:
    made.error_um = off_um
    run = await done(made, "assess")
    (finding,) = await made.bench.store.findings(run=run)
    assert finding["values"]["focus_error"]["value"] == pytest.approx(off_um, abs=1.0)
    assert made.bench.notices.snapshot()["finding/flange"]["finding"] == finding["finding"]


async def test_the_question_after_a_finding_says_what_was_found(made: FakeBench) -> None:
    await done(made, "found")
    first, second = [ask.text for ask in made.person.asked]
    assert first.startswith("Found: focus error +")
    assert first.endswith(" Seen?")
    assert second == "Done?"


async def test_ask(made: FakeBench) -> None:
    await done(made, "ask")
    asked = [(ask.kind, ask.text, ask.choices, ask.unit) for ask in made.person.asked]
    assert asked == [
        ("confirm", "Seated?", (), None),
        ("yes_no", "Sure?", (), None),
        ("choice", "Colour?", ("green", "amber"), None),
        ("number", "Pitch?", (), "mm"),
        ("text", "You see amber? (1)", (), None),
        ("mark", "Sharp?", (), None),
    ]


@pytest.mark.parametrize(("well", "many", "to_um", "level"), [
    (True, 3.5, 5000.0, [0.4]), (False, 2.0, 6000.0, [0.2]), (False, 3.0, 6000.0, []),
])  # fmt: skip
async def test_if(made: FakeBench, well: bool, many: float, to_um: float, level: list[float]) -> None:
    made.person.says = lambda ask: many if ask.kind == "number" else well
    await done(made, "if")
    assert made.axis.carriage_um == stands(to_um)
    assert made.lamp.set_to == level


@pytest.mark.parametrize(("off_um", "to_um"), [(30.0, 5000.0), (10.0, 6000.0)])
async def test_if_of_a_finding(made: FakeBench, off_um: float, to_um: float) -> None:
    made.error_um = off_um
    await done(made, "if_finding")
    assert made.axis.carriage_um == stands(to_um)


async def test_repeat(made: FakeBench) -> None:
    before_um = made.axis.carriage_um
    await done(made, "repeat")
    rounds = [f"Round {outer} of 2, {inner} of 2: Again?" for outer in (1, 2) for inner in (1, 2)]
    assert [ask.text for ask in made.person.asked] == rounds
    assert made.axis.carriage_um == stands(before_um + 20.0)
    assert made.lamp.set_to == [0.4], "what was saved in a turn stands after the loop"


async def test_for(made: FakeBench) -> None:
    nominal_um = made.bench.nominal_target()
    await done(made, "for")
    assert [um for um in made.moves_um if um == stands(nominal_um - 20.0)], "the first"
    assert made.axis.carriage_um == stands(nominal_um + 35.5)
    assert [ask.text for ask in made.person.asked] == ["Round 1 of 2: Seen gap-03?", "Round 2 of 2: Seen gap-04?"]


async def test_call(made: FakeBench) -> None:
    """Names inside are the called procedure's own."""
    made.person.says = numbers(-250.0, 999.0)
    await done(made, "calls")
    assert [ask.text for ask in made.person.asked] == ["Calling?", "Called?"]
    assert made.axis.carriage_um == stands(7000.0 - 250.0)
    assert made.lamp.set_to == [0.4, 0.0], "its end is carried out before the caller goes on"


async def test_values_by_name(made: FakeBench) -> None:
    made.person.says = numbers(-15.5)
    given = {"depth_um": 50_000.0, "ring": "collar-45", "lens": "L-0417", "adapters": ["ring-07"]}
    await done(made, "inputs", m={"value": 0.0101, "u": 0.0001}, **given)
    places, document = made.bench.setup.chain.places, made.bench.setup.document
    assert (document.adapters, document.m.value if document.m else None) == (("ring-07",), 0.0101)
    assert [ask.text for ask in made.person.asked] == ["By how many um, of 0.0101, 2?"]
    ring_um = places.carriage_for_depth(COLLAR_UM)
    assert any(um == stands(places.carriage_for_depth(50_000.0)) for um in made.moves_um if um is not None)
    assert any(um == stands(ring_um) for um in made.moves_um if um is not None)
    assert made.axis.carriage_um == stands(ring_um - 31.0)


# What is refused


@pytest.mark.parametrize("name", IN_VAIN)
async def test_what_no_run_can_give_is_foreseen_and_refused_before_it_begins(made: FakeBench, name: str) -> None:
    """A dry run found nothing wrong with degrees on a carriage, a continuous sweep, absent devices."""
    verb, args = IN_VAIN[name]
    with pytest.raises(Refused) as live:
        await made.command(verb, {"set": args} if verb == "setup" else args)
    plan = await made.runner.dry_run(name, {})
    assert plan["problems"] == [f"{verb}: {live.value.text}"]
    with pytest.raises(Refused) as caught:
        await made.run(name)
    assert caught.value.code == live.value.code
    assert caught.value.text.endswith(live.value.text)
    made.bench.jobs.check_free()
    assert (made.moves_um, made.lamp.set_to) == ([], [])


async def test_a_step_that_only_an_answer_makes_impossible_is_refused_when_it_is_known(made: FakeBench) -> None:
    made.person.says = lambda ask: 99_000.0
    run = await made.run("late")
    assert await made.ended(run) == "failed"
    (event,) = [event for event in made.events() if event["severity"] == "error"]
    assert (event["code"], event["data"]["run"]) == ("limit", run)
    assert "99000.0 µm is outside the carriage's limits" in event["text"]
    assert made.axis.carriage_um == stands(5000.0)
    assert made.lamp.set_to == [], "nothing comes after it"


@pytest.mark.parametrize(("inputs", "why"), [
    ({}, "depth_um"), ({"depth_um": 1.0, "ring": "collar-99"}, "collar-99"), ({"deph_um": 1.0}, "deph_um"),
])  # fmt: skip
async def test_inputs_that_may_not_stand_begin_no_run(made: FakeBench, inputs: dict[str, Any], why: str) -> None:
    with pytest.raises(Refused, match=why):
        await made.run("inputs", **inputs)
    with pytest.raises(Refused):
        await made.run("no_such_procedure")
    assert made.state == "idle"


# A gauge that stands wrong


async def test_a_gauge_that_stands_wrong_is_seated_again_three_times(made: FakeBench) -> None:
    """One mis-seated gauge ended a calibration of 32 questions."""
    made.person.says = lambda _: None
    made.gauge.zero_um = BASE_UM + 21_000.0 + 5_000.0  # nobody has set its foot: out of range
    run = await made.run("seated")
    await made.said("asking")
    assert made.doc["ask"]["text"].startswith("Round 1 of 2: Bridge")
    made.answer(True)
    await made.until(lambda: (made.doc["ask"] or {}).get("name") == "seat_again")
    again = made.doc["ask"]
    assert again["kind"] == "confirm"
    assert again["text"].startswith("Round 1 of 2: indicator reads 999.9 µm, which is out of its range. Seat it again")
    made.gauge.zero_um -= 5_000.0
    made.answer(True)
    await made.until(lambda: (made.doc["ask"] or {}).get("name") == "bridge")
    assert made.doc["ask"]["text"].startswith("Round 2 of 2: Bridge"), "the run went on with the next round"
    made.gauge.zero_um += 5_000.0
    asked: list[str] = []
    while made.bench.jobs.kind is not None:
        if made.doc["ask"] is not None and made.doc["ask"]["ask"] not in asked:
            asked.append(made.doc["ask"]["ask"])
            made.answer(True)
        await made.clock.sleep(0.002)
    assert len(asked) == 4
    assert (await made.bench.store.run(run)).state == "failed"
    (event,) = made.events("not_found")
    assert "indicator reads 999.9 µm" in event["text"]
    assert event["text"].endswith("It was seated again 3 times.")


async def test_a_gauge_that_does_not_follow_is_read_anew_at_both_places(made: FakeBench) -> None:
    """The carriage goes back to where the first reading was taken, and both are taken again; the record keeps all."""
    made.person.says = lambda _: None
    made.gauge.zero_um = BASE_UM + 21_000.0
    run = await made.run("seated")
    await made.said("asking")
    made.gauge.surface_um = lambda: BASE_UM + 21_000.0  # the bridge was left on something that does not move
    made.answer(True)
    await made.until(lambda: (made.doc["ask"] or {}).get("name") == "seat_again")
    assert made.axis.carriage_um == stands(21_000.0)
    made.gauge.surface_um = lambda: BASE_UM + made.axis.carriage_um
    made.answer(True)
    await made.until(lambda: (made.doc["ask"] or {}).get("name") == "bridge")
    made.answer(True)
    assert await made.ended(run) == "done"
    kept = [(row.channel, round(row.value or 0.0)) for row in await made.bench.store.readings(run)]
    anew = [("on_base", 0), ("moved", 100)]
    assert kept == [("on_base", 0), ("moved", 0), *anew, *anew]
