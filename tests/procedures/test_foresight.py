"""What a dry run foresees and what it cannot: steps that hang on answers, and a carriage that was not driven since.

The bench is that of the workshop as its files have it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from itertools import permutations
from pathlib import Path
from statistics import fmean
from typing import Any, Protocol

import pytest

from benchd.bench.assembly import build
from benchd.cli.offline import Offline
from benchd.errors import Refused
from benchd.files.loading import load_bench
from benchd.procedures.check import check_procedure
from benchd.procedures.inputs import Known
from benchd.procedures.language import read_procedure
from benchd.procedures.library import Library
from benchd.procedures.plan import Plan
from benchd.procedures.predict import dry_run
from benchd.verbs.entry import Entry
from benchd.verbs.predicted_sweep import PredictedSweep
from benchd.verbs.sweep import SweepArgs
from benchd.verbs.view import BenchView, SetupPlaces

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
LIBRARY = Library.shipped()
WORKSHOP = load_bench(CONFIGS / "workshop" / "bench.yaml")
OFFLINE = Offline(WORKSHOP, build(WORKSHOP))
UNHOMED = OFFLINE.figures()
DRIVEN = replace(UNHOMED, homed=True, stale=False)
NEEDS = "needs: {roles: [carriage, target_light, detector, indicator]}"
HOME = "  - home: {axes: [carriage], only_if_unhomed: true}\n"
ASK = '  - ask: {kind: yes_no, text: "Well?", save: well}\n'
WELL = "  - if: {answer: well, is: true}\n    then: "
WHOLE = "adapters: [ring-07], glass: [], distance_mm: 5000, ring: infinity"
FITTED = f"  - setup: {{lens: L-0417, {WHOLE}}}\n"


GOES = """\
procedure: goes
title: To a depth
needs: {roles: [carriage]}
inputs:
  depth_um: {type: number}
  then_um: {type: number}
steps:
  - home: {axes: [carriage], only_if_unhomed: true}
  - move: {depth_um: "${depth_um}"}
  - move: {carriage_um: "${then_um}"}
"""


class Through(Protocol):
    def __call__(
        self, steps: str, bench: BenchView = UNHOMED, *, checked: bool = True, known: Known | None = None
    ) -> Plan: ...


@pytest.fixture
def through(tmp_path: Path) -> Through:
    """A procedure of these steps, gone through on the bench of the workshop as its files have it."""

    called = tmp_path / "goes.yaml"
    called.write_text(GOES)
    library = {**LIBRARY.procedures, "goes": read_procedure(called).procedure}

    def gone_through(
        steps: str, bench: BenchView = UNHOMED, *, checked: bool = True, known: Known | None = None
    ) -> Plan:
        path = tmp_path / "tries.yaml"
        path.write_text(f"procedure: tries\ntitle: Tries\n{NEEDS}\nsteps:\n{steps}")
        file = read_procedure(path)
        if checked:
            check_procedure(file, library=library)
        return dry_run(file.procedure, {}, bench, OFFLINE.facts, library, known)

    return gone_through


def verbs(found: Plan, verb: str) -> list[Entry]:
    return [one for one in found.entries if one.verb == verb]


def refused(found: Plan) -> str:
    """The code a run is refused with before anything moves."""
    with pytest.raises(Refused) as caught:
        found.require_possible()
    return caught.value.code


def test_homing_that_hangs_on_an_answer_refuses_no_run_and_is_told(through: Through) -> None:
    move = "  - move: {carriage_um: 5000}\n"
    found = through(ASK + WELL + "[home: {}]\n" + move + move)
    found.require_possible()
    # Told once: where the first move is carried out, the second is as well.
    assert found.problems == (
        "move: The carriage is not homed: not homed since the start. (depends on the answer well)",
    )
    told = verbs(found, "move")[0].problem
    assert told is not None
    assert (told.code, told.depends) == ("not_homed", "the answer well")

    assert through(ASK + WELL + "[home: {}]\n    else: [home: {}]\n" + move).problems == ()
    assert through(ASK + WELL + "[home: {}]\n" + HOME + move).problems == ()
    # What no branch changes is as certain as ever.
    assert refused(through(ASK + WELL + "[wait: {for_s: 1}]\n" + move)) == "not_homed"
    assert refused(through(ASK + WELL + "[home: {}]\n  - move: {carriage_um: 1.0e+6}\n")) == "limit"


def test_homing_where_it_may_be_needed_makes_it_known_again(through: Through) -> None:
    at_9 = replace(UNHOMED, carriage_um=9000.0)
    found = through(ASK + WELL + "[home: {}]\n" + HOME + "  - move: {by_um: 100}\n  - move: {carriage_um: 50}\n", at_9)
    assert found.problems == ()
    perhaps = verbs(found, "home")[1]
    assert perhaps.text == "carriage, if it is not homed by then; that depends on the answer well"
    assert (perhaps.seconds, perhaps.seconds_more) == (0.0, UNHOMED.home_s)
    by, to = verbs(found, "move")
    assert (by.to_um, to.to_um) == (None, 50.0)
    assert by.text == "carriage by_um 100; where that is depends on the answer well"


def test_a_lens_by_an_answer_leaves_open_where_nominal_is(through: Through) -> None:
    ask = '  - ask: {kind: choice, choices: [L-0417, L-0418], text: "Which lens?", save: which}\n'
    found = through(HOME + ask + f'  - setup: {{lens: "${{which}}", {WHOLE}}}\n' + "  - nominal: {}\n  - sweep: {}\n")
    assert found.problems == ()
    found.require_possible()
    assert verbs(found, "setup")[0].text.endswith("lens by the answer which")
    nominal, sweep = verbs(found, "nominal")[0], verbs(found, "sweep")[0]
    assert nominal.text == "where the chain says; where that is depends on the answer which"
    assert nominal.to_um is None
    assert sweep.text.endswith("where depends on the answer which")
    assert sweep.seconds > 0.0

    again = through(HOME + ask + f'  - setup: {{lens: "${{which}}", {WHOLE}}}\n' + FITTED + "  - nominal: {}\n")
    stated = through(HOME + FITTED + "  - nominal: {}\n")
    assert verbs(again, "nominal")[0].to_um == verbs(stated, "nominal")[0].to_um is not None


def test_an_answer_leaves_open_what_it_may_change_and_no_more(through: Through) -> None:
    number = '  - ask: {kind: number, text: "How much?", save: much}\n'
    job = '  - ask: {kind: text, text: "Which job?", save: job}\n  - setup: {job: "${job}"}\n'
    known = through(HOME + FITTED + job + "  - nominal: {}\n  - move: {by_um: 10}\n")
    nominal, by = verbs(known, "nominal")[0], verbs(known, "move")[0]
    assert nominal.to_um is not None
    assert by.to_um == nominal.to_um + 10.0

    asked = HOME + FITTED + number + '  - move: {depth_um: "${much}"}\n'
    found = through(asked + "  - move: {by_um: 10}\n  - sweep: {about: here}\n  - nominal: {}\n  - sweep: {}\n")
    assert found.problems == ()
    places = [one.to_um for one in found.entries if one.verb in ("move", "sweep", "nominal")]
    assert places == [None, None, None, nominal.to_um, nominal.to_um]
    # Homed it has to be, wherever the answer sends it.
    assert refused(through(number + '  - move: {depth_um: "${much}"}\n')) == "not_homed"

    asked = HOME + FITTED + number + '  - setup: {trim_um: "${much}"}\n  - nominal: {}\n'
    found = through(asked + "  - move: {carriage_um: 500}\n  - move: {offset_um: 0}\n")
    assert found.problems == ()
    assert [one.to_um for one in verbs(found, "move")] == [500.0, None]
    assert refused(through(HOME + number + "  - setup: {lens: null}\n  - nominal: {}\n")) == "not_driven"


def test_what_branches_leave_alike_is_known_and_the_rest_is_not(through: Through) -> None:
    both = f"[setup: {{lens: L-0417, {WHOLE}}}]\n    else: [setup: {{lens: L-0418, {WHOLE}}}]\n"
    found = through(HOME + ASK + WELL + both + "  - nominal: {}\n" + WELL + "[sweep: {}]\n")
    assert found.problems == ()
    assert "depends on the answer well" in verbs(found, "nominal")[0].text
    same = both.replace("L-0418", "L-0417")
    assert verbs(through(HOME + ASK + WELL + same + "  - nominal: {}\n"), "nominal")[0].to_um is not None
    bare = f"[setup: {{lens: L-0417, {WHOLE}}}]\n    else: [setup: {{lens: null}}]\n"
    assert through(HOME + ASK + WELL + bare + WELL + "[nominal: {}]\n").problems == ()
    through(HOME + ASK + WELL + bare.splitlines()[0] + "\n  - nominal: {}\n").require_possible()

    moved = through(HOME + DRIVES + WELL + "[move: {offset_um: 50}]\n  - move: {by_um: 1}\n")
    assert [one.to_um is None for one in verbs(moved, "move")] == [False, True]
    follows = through(DRIVES + '  - setup: {glass: [pane-25], follow: "${well}"}\n  - sweep: {about: here}\n', DRIVEN)
    follows.require_possible()
    assert follows.problems == (f"sweep: {STALE} (depends on the answer well)",)


DRIVES = FITTED + "  - nominal: {}\n" + ASK
NOT_HOMED_YET = "move: The carriage is not homed: not homed since the start."
STALE = "The carriage has not been driven since the set-up changed or it was homed."


def test_turns_of_which_nobody_knows_how_many_leave_open_what_each_may_change(through: Through) -> None:
    """No answer is a whole number as yet, so the check lets no such loop pass."""
    number = '  - ask: {kind: number, text: "How often?", save: often}\n  - repeat: "${often}"\n    steps: '
    found = through(number + "[home: {}]\n  - move: {carriage_um: 5}\n", checked=False)
    found.require_possible()
    assert found.problems == (
        "move: The carriage is not homed: not homed since the start. (depends on the answer often)",
    )
    body = "[{move: {by_um: 100}}, {wait: {for_s: 1}}]\n"
    then = "  - move: {by_um: 100}\n  - move: {carriage_um: 5}\n"
    steps = through(HOME + number + body + then, checked=False)
    assert [one.to_um for one in verbs(steps, "move")] == [None, None, 5.0]
    assert [one.when for one in verbs(steps, "wait")] == [("as often as the answer often says",)]
    # The first turn finds it driven, the next one does not.
    turns = through(DRIVES + number + "[{sweep: {}}, {setup: {trim_um: 5}}]\n", DRIVEN, checked=False)
    assert turns.problems == (f"sweep: {STALE} (depends on the answer often)",)
    body = "[{nominal: {}}, {sweep: {}}, {setup: {trim_um: 5}}]\n"
    assert through(DRIVES + number + body, DRIVEN, checked=False).problems == ()


def test_a_loop_over_answers_is_written_out_as_any_other(through: Through) -> None:
    which = '  - ask: {kind: choice, choices: [ring-07, gap-03], text: "Which?", save: which}\n'
    body = '    steps: [{setup: {lens: null, adapters: ["${each}"]}}, {move: {depth_um: 45000}}]\n'
    found = through(HOME + which + '  - for: {each: each, in: [ring-07, "${which}"]}\n' + body)
    assert found.problems == ()
    first, second = verbs(found, "move")
    assert first.to_um is not None
    assert (first.when, second.when) == ((), ())
    assert second.text == "carriage depth_um 45000; where that is depends on the answer which"
    assert refused(through(which + '  - for: {each: each, in: [ring-07, "${which}"]}\n' + body)) == "not_homed"


def test_a_called_procedure_is_gone_into_whatever_its_inputs_depend_on(through: Through) -> None:
    number = '  - ask: {kind: number, text: "How deep?", save: deep}\n'
    call = '  - call: {procedure: goes, inputs: {depth_um: "${deep}", then_um: 700}}\n'
    found = through(number + call + "  - move: {by_um: 5}\n")
    assert found.problems == ()
    assert [one.to_um for one in verbs(found, "move")] == [None, 700.0, 705.0]
    assert verbs(found, "move")[0].text.endswith("where that is depends on the answer deep")


def test_a_sweep_is_refused_where_the_carriage_was_not_driven_since(through: Through) -> None:
    """As the set-up keeper has it: only a drive that came to its place makes the position mean something."""
    sweep = "  - sweep: {}\n"
    stale = through(HOME + FITTED + "  - light: {level: 0.4}\n" + sweep)
    assert stale.problems == (f"sweep: {STALE}",)
    assert refused(stale) == "not_driven"
    assert refused(through(FITTED + "  - nominal: {}\n  - home: {}\n" + sweep, DRIVEN)) == "not_driven"
    assert refused(through(FITTED + "  - nominal: {}\n  - setup: {trim_um: 5}\n" + sweep, DRIVEN)) == "not_driven"
    accepts = "  - call: {procedure: bench_zero, inputs: {reference: collar-45}}\n"
    after = through(accepts + FITTED + "  - nominal: {}\n" + "  - accept: {finding: bench_zero}\n" + sweep)
    assert refused(after) == "not_driven"
    for drives in ("nominal: {}", "move: {by_um: 1}", "move: {offset_um: 0}", "setup: {trim_um: 2, follow: true}"):
        assert through(HOME + FITTED + f"  - {drives}\n" + sweep).problems == (), drives


def test_what_does_not_move_nominal_leaves_the_carriage_driven(through: Through) -> None:
    driven = FITTED + "  - nominal: {}\n"
    same = f"{{lens: L-0417, {WHOLE}}}"
    for changes in ("{job: J-7}", "{f_number: 4}", "{glass: []}", same, "{adapters: [ring-07]}"):
        assert through(driven + f"  - setup: {changes}\n  - sweep: {{}}\n", DRIVEN).problems == (), changes
    again = "  - setup: {glass: [pane-25]}\n  - setup: {glass: []}\n  - sweep: {}\n"
    assert refused(through(driven + again, DRIVEN)) == "not_driven", "the bench does not look at where it came from"


def test_a_sweep_begins_with_the_bench_as_it_stands(through: Through) -> None:
    steps = FITTED + "  - sweep: {about: here}\n"
    fitted = OFFLINE.figures().where(
        {"lens": "L-0417", "adapters": ["ring-07"], "distance_mm": 5000, "ring": "infinity"}
    )
    assert fitted.nominal_um is not None

    def where(changes: Mapping[str, Any]) -> SetupPlaces:
        return UNHOMED.where({**fitted.setup, **changes})

    stands = replace(DRIVEN, where=where, carriage_um=fitted.nominal_um)
    assert through(steps, stands).problems == ()
    assert refused(through(steps, replace(stands, stale=True))) == "not_driven"
    assert refused(through(steps, replace(stands, carriage_um=9000.0, where=UNHOMED.where))) == "not_driven"


def test_another_lens_takes_with_it_what_described_the_last_one(through: Through) -> None:
    """As the bench does: a ring that was stated for one lens is not stated for the next."""
    seen: list[Mapping[str, Any]] = []

    def where(changes: Mapping[str, Any]) -> SetupPlaces:
        seen.append(changes)
        return replace(UNHOMED.where(changes), after=None)

    through(HOME + FITTED + "  - setup: {lens: L-0418}\n", replace(UNHOMED, where=where))
    assert (seen[-1]["lens"], seen[-1]["ring"], seen[-1]["distance_mm"]) == ("L-0418", None, 5000.0)


def test_a_rear_that_an_answer_decides_on_may_be_asked_about(through: Through) -> None:
    which = '  - ask: {kind: choice, choices: [L-0417, L-0418], text: "Which lens?", save: which}\n'
    setup = f'  - setup: {{lens: "${{which}}", {WHOLE}}}\n'
    drives = "  - nominal: {}\n  - sweep: {}\n"
    found = through(HOME + which + setup + drives + setup + drives)
    asked = [one for one in found.entries if one.text == "rear_clear"]
    assert [one.when for one in asked] == [("if the lens's record does not say how far it reaches back",)] * 2
    assert asked[0].ask in found.asks
    follows = [found.entries[place + 1].verb for place, one in enumerate(found.entries) if one in asked]
    assert follows == ["nominal", "nominal"], "once for a set-up"

    number = '  - ask: {kind: number, text: "How deep?", save: deep}\n  - move: {depth_um: "${deep}"}\n'
    known = through(HOME + FITTED + number)
    assert "rear_clear" not in [one.text for one in known.entries], "its record says how far it reaches"
    assert "rear_clear" not in [one.text for one in through(HOME + number).entries], "there is no lens"

    def unmeasured(changes: Mapping[str, Any]) -> SetupPlaces:
        found = UNHOMED.where(changes)
        asks = replace(found.limit, least_depth_um=None, question="Made sure") if found.setup["lens"] else found.limit
        return replace(found, limit=asks, after=None)

    asks = [one.when for one in through(HOME + FITTED + number, replace(UNHOMED, where=unmeasured)).entries if one.ask]
    assert asks == [(), ("if the lens's record does not say how far it reaches back",)]


MEANT = "Lens L-0417 stands without glass, while its record says that it was designed for pane-25: is that meant?"
SEATED = '  - ask: {kind: confirm, text: "Seated?"}\n'
PANE = "  - setup: {glass: [pane-25]}\n"
NONE = "  - setup: {glass: []}\n"


def test_that_the_glass_is_another_is_foreseen_at_the_question_that_tells_it(through: Through) -> None:
    """A dry run showed the questions as the file has them, while a run put the sentence about the glass before one."""
    asks = through(FITTED + ASK + SEATED + SEATED + PANE + SEATED + NONE + SEATED).asks
    assert asks == ("Well?", f"{MEANT} Seated?", "Seated?", "Seated?", "Seated?")
    assert through(PANE + SEATED).asks == ("Seated?",), "there is no lens"
    assert through(FITTED + HOME + "  - nominal: {}\n  - sweep: {}\n  - sweep: {}\n").asks == (MEANT,)


def test_that_it_may_be_asked_about_is_told_with_what_it_depends_on(through: Through) -> None:
    either = WELL + "[setup: {glass: [pane-25]}]\n"
    *_, seated = through(FITTED + ASK + either + SEATED).asks
    open_glass = "[if it is not the lens's own; which stand there depends on the answer well: Is the glass meant?]"
    assert seated == f"{open_glass} Seated?"
    *_, seated = through(FITTED + ASK + either + SEATED + NONE + SEATED).asks
    assert seated == f"[unless it was asked before: {MEANT}] Seated?"
    in_branch = WELL + '[ask: {kind: confirm, text: "Seated?"}]\n'
    *_, seated = through(FITTED + ASK + in_branch + SEATED).asks
    assert seated == f"[unless it was asked before: {MEANT}] Seated?"
    swept = through(FITTED + HOME + ASK + either + "  - nominal: {}\n  - sweep: {}\n")
    (asked,) = [one for one in swept.entries if one.text == "glass_meant"]
    assert asked.when == ("if it is not the lens's own; which stand there depends on the answer well",)


def test_a_question_that_hangs_on_an_answer_is_foreseen_with_its_round(through: Through) -> None:
    number = '  - ask: {kind: number, text: "How many?", save: n}\n'
    again = '  - repeat: 2\n    steps:\n      - ask: {kind: confirm, text: "${n} of them?"}\n'
    assert through(number + again).asks == ("How many?", "Round 1 of 2: ${n} of them?", "Round 2 of 2: ${n} of them?")


def test_a_sweep_of_very_many_points_is_refused_at_once_and_not_reckoned_through(through: Through) -> None:
    """A dry run of `sweep: {span_um: 90000}` held the daemon up for minutes: no beat, no stop."""
    for many in ("span_um: 90000", "span_um: 90000, step_um: 0.000000001", "span_um: 2000, step_um: 10, repeats: 100"):
        found = through(FITTED + f"  - sweep: {{{many}}}\n", DRIVEN)
        (problem,) = found.problems
        assert problem.startswith("sweep: The sweep would have ")
        assert problem.endswith("; 10,000 are the most.")
    again = "  - nominal: {}\n  - repeat: 1000\n    steps:\n      - sweep: {span_um: 1000, step_um: 0.25, repeats: 2}\n"
    assert not through(FITTED + again, DRIVEN).problems


def test_the_way_between_shuffled_stations_is_that_over_all_their_orders() -> None:
    """Held against every pair of stations, one by one."""
    args = SweepArgs.model_validate({"span_um": 160.0, "step_um": 8.0})
    predicted = PredictedSweep(DRIVEN, None, args)
    stations = [8.0 * i - 80.0 for i in range(21)]
    ways = [DRIVEN.approach_s(one, other) for one, other in permutations(stations, 2)]
    assert predicted.mean_station_move_s() == pytest.approx(fmean(ways), rel=1e-9)
    many = PredictedSweep(DRIVEN, None, SweepArgs.model_validate({"span_um": 1600.0, "step_um": 4.0}))
    ways = [DRIVEN.approach_s(one, other) for one, other in permutations([4.0 * i for i in range(401)], 2)]
    assert many.mean_station_move_s() == pytest.approx(fmean(ways), rel=0.02)


NUMBER = '  - ask: {kind: number, text: "Where?", save: n}\n'


def test_a_loop_s_variable_is_nothing_after_its_loop(through: Through) -> None:
    """It stood for its last value, so that an answer of the same name was taken for known."""
    loop = "  - for: {each: n, in: [100.0, 60000.0]}\n    steps: [wait: {for_s: 0}]\n"
    found = through(HOME + loop + NUMBER + '  - move: {carriage_um: "${n}"}\n')
    assert found.problems == ()
    assert verbs(found, "move")[0].text == "carriage carriage_um ${n}; where that is depends on the answer n"
    inside = "    - for: {each: n, in: [60000.0]}\n      steps: [wait: {for_s: 0}]\n"
    other = '    else:\n    - ask: {kind: number, text: "Where?", save: n}\n    - move: {carriage_um: "${n}"}\n'
    assert through(HOME + ASK + "  - if: {answer: well, is: true}\n    then:\n" + inside + other).problems == ()


def test_a_call_that_is_refused_in_a_branch_refuses_no_run(through: Through) -> None:
    """A run was refused for what it might never come to."""
    call = "[{call: {procedure: flange_check, inputs: {lens: L-9999, adapters: [ring-07], distance_mm: 5000}}}]\n"
    needs = {"lens": ["L-0417"], "adapter": ["ring-07"], "glass": ["pane-25"], "reference": ["collar-45"]}
    found = through(HOME + ASK + WELL + call, checked=False, known=needs)
    found.require_possible()
    assert "L-9999" in found.problems[0]
    assert refused(through(HOME + "  - " + call[1:-2] + "\n", checked=False, known=needs)) == "bad_request"


def test_a_change_is_foreseen_by_the_chain_that_it_makes(through: Through) -> None:
    """What was measured to a wall is carried over by where the target stands; the wall near, that is micrometres."""
    near = "  - setup: {lens: L-0417, adapters: [ring-07], glass: [], distance_mm: 1000, ring: infinity}\n"
    found = through(near + "  - setup: {glass: [pane-25]}\n" + HOME + "  - nominal: {}\n")
    base = OFFLINE.figures().where({})
    assert base.after is not None
    first = base.after(
        {"lens": "L-0417", "adapters": ["ring-07"], "glass": [], "distance_mm": 1000, "ring": "infinity"}
    )
    assert first.after is not None
    assert verbs(found, "nominal")[0].to_um == first.after({"glass": ["pane-25"]}).nominal_um
    assert first.after({"glass": ["pane-25"]}).setup["distance_mm"] != 1000
