"""What breaks the rules of commands, runs, record and findings, told call by call; and that none is left out."""

from __future__ import annotations

import inspect
import pkgutil
import sqlite3
from contextlib import closing
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from tests.virtual import rules
from tests.virtual.rules.answered import AnswerAfterQuestion, AnsweredOnce
from tests.virtual.rules.asked_for import AskedFor
from tests.virtual.rules.at_rest import AtRest
from tests.virtual.rules.finding_recorded import FindingRecorded
from tests.virtual.rules.findings_hold import FindingsHold
from tests.virtual.rules.held import Held
from tests.virtual.rules.plain_errors import PlainErrors
from tests.virtual.rules.record_whole import RecordWhole
from tests.virtual.rules.trusted import TrustedOnly
from tests.virtual.told import Told, carriage, event, reply
from tests.virtual.witness import Watched

MOVE = b"G53 G21 G90 G1 Z-7.5000 F240.00\n"


@pytest.mark.parametrize(
    ("accepted", "drawn_s", "holds"),
    [(True, 2.5, True), (True, 1.5, False), (False, 2.5, False)],
    ids=["as it should be", "with a beat from before the stop", "refused"],
)
def test_a_motion_after_a_stop(accepted: bool, drawn_s: float, holds: bool) -> None:
    told = Told(AskedFor(lambda: ("benchd-main", "benchd-stop")))
    told.at(0.0).daemon(True)
    told.at(drawn_s).told("beat", {"beat": "k3f9-2"})
    told.at(2.0).stopped()
    told.at(2.01).sent("board", b"!")
    told.at(2.6).asked("alice", "move", {"id": "c1", "beat": "k3f9-2"}, False)
    told.at(2.61).told("reply/alice", reply("c1", ok=accepted))
    told.at(2.62).sent("board", MOVE)
    told.at(3.0)
    assert bool(told.broken) is not holds


@pytest.mark.parametrize("lost", [True, False])
def test_a_motion_of_a_run_of_which_nothing_is_told(lost: bool) -> None:
    """It was accepted just before the broker went; with one it is told as running behind its first bytes."""
    connected: list[tuple[str, ...]] = [("benchd-main", "benchd-stop")]
    told = Told(AskedFor(lambda: connected[0]))
    told.at(0.0).daemon(True)
    told.at(1.0).told("beat", {"beat": "k3f9-2"})
    told.at(1.5).asked("alice", "sweep", {"id": "c1", "beat": "k3f9-2"}, False)
    told.at(1.51).told("procedure", {"run": "r-0001", "state": "aborted"})
    told.at(1.52).told("reply/alice", reply("c1", run="r-0002"))
    connected[0] = () if lost else connected[0]
    told.at(2.5).sent("board", MOVE)
    assert bool(told.broken) is not lost
    told.broken.clear()
    connected[0] = ("benchd-main-2", "benchd-stop-2")
    told.at(9.0).told("procedure", {"run": "r-0002", "state": "done"})
    told.at(9.5).sent("board", MOVE)
    assert told.broken


@pytest.mark.parametrize("line", [MOVE, b"$H\n"])
def test_a_motion_without_trust(line: bytes) -> None:
    told = Told(TrustedOnly())
    told.at(0.0).daemon(True)
    told.at(0.1).told("device/carriage", carriage(False))
    told.at(1.0).sent("board", line)
    assert bool(told.broken) is (line == MOVE)


@pytest.mark.parametrize("holder", ["alice", "bob"])
def test_a_motion_of_somebody_without_control(holder: str) -> None:
    told = Told(Held())
    told.at(0.0).told("control", {"holder": holder})
    told.at(1.0).asked("alice", "move", {"id": "c1", "args": {"by_um": 1.0}}, False)
    told.at(1.1).told("reply/alice", reply("c1"))
    assert bool(told.broken) is (holder == "bob")


def test_one_id_that_is_accepted_or_ends_twice() -> None:
    told = Told(AnsweredOnce())
    told.at(0.0).told("reply/alice", reply("c1"))
    told.at(1.0).told("reply/alice", reply("c2"))
    assert not told.broken
    told.at(2.0).told("reply/alice", reply("c1"))
    told.at(3.0).told("event", event("c2"))
    assert len(told.broken) == 1
    told.at(4.0).told("event", event("c2"))
    assert len(told.broken) == 2


@pytest.mark.parametrize("asked", ["a-1", "a-0"])
def test_a_run_that_goes_on_by_an_answer_to_an_earlier_question(asked: str) -> None:
    told = Told(AnswerAfterQuestion())
    told.at(0.0).told("procedure", {"state": "asking", "step": 2, "ask": {"ask": "a-1"}})
    told.at(1.0).asked("alice", "answer", {"id": "c1", "args": {"ask": asked, "value": True}}, False)
    told.at(1.1).told("reply/alice", reply("c1"))
    told.at(1.2).told("procedure", {"state": "running", "step": 3, "ask": None})
    told.at(2.0)
    assert bool(told.broken) is (asked == "a-0")


@pytest.mark.parametrize("state", ["aborting", "paused"])
def test_a_run_that_never_leaves_aborting(state: str) -> None:
    told = Told(AtRest())
    told.at(0.0).told("procedure", {"state": state})
    told.at(100.0)
    assert bool(told.broken) is (state == "aborting")


@pytest.mark.parametrize(("level", "text"), [("error", "no room"), ("warning", "Traceback (most recent call last)")])
def test_an_error_that_nobody_named(level: str, text: str) -> None:
    told = Told(PlainErrors())
    told.rule.log("warning", "link board_line is lost")
    assert not told.broken
    told.rule.log(level, text)
    assert told.broken


def record(folder: Path, *readings: tuple[int, int, float]) -> Path:
    """A record with one run, its finding f-1, and these readings: run, index, value."""
    file = folder / "record.db"
    with closing(sqlite3.connect(file)) as made:
        made.execute("CREATE TABLE reading (run, idx, device, channel, value)")
        made.execute("CREATE TABLE finding (id)")
        made.execute("CREATE TABLE run (id, state, ended)")
        made.execute("INSERT INTO run VALUES (1, 'done', '2030-01-01T12:00:00.000Z')")
        made.execute("INSERT INTO finding VALUES (1)")
        rows = [(run, idx, "view", "edge.v", value) for run, idx, value in readings]
        made.executemany("INSERT INTO reading VALUES (?, ?, ?, ?, ?)", rows)
        made.commit()
    return file


def reading(idx: int, value: float = 0.5) -> dict[str, Any]:
    return {"run": "r-0001", "idx": idx, "device": "view", "channel": "edge.v", "value": value}


@pytest.mark.parametrize(
    ("kept", "holds"),
    [([(1, 0, 0.5)], True), ([], False), ([(1, 0, 0.6)], False), ([(1, 0, 0.5), (1, 0, 0.5)], False)],
    ids=["as told", "lost", "changed", "twice"],
)
def test_a_reading_that_was_told(tmp_path: Path, kept: list[tuple[int, int, float]], holds: bool) -> None:
    told = Told(RecordWhole(record(tmp_path, *kept)))
    told.at(1.0).told("reading", reading(0))
    told.at(2.0).over()
    assert bool(told.broken) is not holds


@pytest.mark.parametrize("state", ["running", "done", "aborted"])
def test_a_run_that_was_told_as_ended(tmp_path: Path, state: str) -> None:
    told = Told(RecordWhole(record(tmp_path)))
    told.at(1.0).told("procedure", {"run": "r-0001", "state": state})
    told.at(2.0).over()
    assert bool(told.broken) is (state == "aborted")


@pytest.mark.parametrize("under_way", [True, False])
def test_a_run_that_stands_open(tmp_path: Path, under_way: bool) -> None:
    file = record(tmp_path)
    with closing(sqlite3.connect(file)) as made:
        made.execute("INSERT INTO run VALUES (2, 'running', NULL)")
        made.commit()
    told = Told(RecordWhole(file))
    if under_way:
        told.at(1.0).told("procedure", {"run": "r-0002", "state": "running"})
    told.at(2.0).over()
    assert bool(told.broken) is not under_way


def finding(**more: Any) -> dict[str, Any]:
    readings = {"run": "r-0001", "indices": [0, 1]}
    document = {"finding": "f-1", "assessment": "flange", "run": "r-0001", "setup": 3, "readings": readings}
    return document | {"notes": [], "calibrations": []} | more


@pytest.mark.parametrize(
    ("between", "notes", "holds"),
    [
        ("nothing", [], True),
        ("set-up", [], False),
        ("trust", [], False),
        ("light", [], False),
        ("light", ["While a sweep was taken the target's light was changed."], True),
    ],
)
def test_a_finding_between_whose_readings_something_changed(
    tmp_path: Path, between: str, notes: list[str], holds: bool
) -> None:
    level = [1.0]
    told = Told(FindingRecorded(record(tmp_path, (1, 0, 0.5), (1, 1, 0.5)), lambda: level[0]))
    told.at(0.0).told("setup", {"rev": 3})
    told.at(0.1).told("device/carriage", carriage(True))
    told.at(1.0).told("reading", reading(0))
    if between == "set-up":
        told.at(1.5).told("setup", {"rev": 4})
    elif between == "trust":
        told.at(1.5).told("device/carriage", carriage(False))
    elif between == "light":
        level[0] = 0.4
    told.at(2.0).told("reading", reading(1))
    told.at(3.0).told("finding/flange", finding(notes=notes))
    told.at(4.0).over()
    assert bool(told.broken) is not holds


@pytest.mark.parametrize(("readings", "holds"), [([(1, 0, 0.5), (1, 1, 0.5)], True), ([(1, 0, 0.5)], False)])
def test_a_finding_whose_readings_are_not_kept(
    tmp_path: Path, readings: list[tuple[int, int, float]], holds: bool
) -> None:
    told = Told(FindingRecorded(record(tmp_path, *readings), lambda: 1.0))
    told.at(1.0).told("finding/flange", finding())
    told.at(2.0).over()
    assert bool(told.broken) is not holds


@pytest.mark.parametrize(
    ("error_um", "stands", "broken"),
    [(12.0, "L-0417", True), (3.0, "L-0417", False), (12.0, "L-0418", False)],
    ids=["far off", "near", "of another lens than was told"],
)
def test_a_finding_far_from_the_truth(error_um: float, stands: str, broken: bool) -> None:
    standing = {"lens": stands, "adapters": [], "glass": [], "filters": [], "ring": "infinity", "indicator": "away"}
    told = Told(FindingsHold(lambda _: 2.5, lambda: standing, lambda: 0.0))
    told.at(0.0).daemon(True)
    told.at(0.1).told("setup", {"lens": "L-0417", "adapters": [], "glass": [], "ring": "infinity"})
    told.at(1.0).told("reading", reading(0))
    values = {"focus_error": {"value": 2.5 + error_um, "U": 4.0}}
    told.at(2.0).told("finding/flange", finding(absolute=True, measurand={"lp_mm": 40.0}, values=values))
    assert bool(told.broken) is broken


def test_no_rule_is_left_out() -> None:
    """Each is broken by a test of this file or of its neighbours."""
    shown = "".join(path.read_text(encoding="utf-8") for path in Path(__file__).parent.glob("test_rules_*.py"))
    modules = [import_module(f"{rules.__name__}.{found.name}") for found in pkgutil.iter_modules(rules.__path__)]
    known = {
        name
        for module in modules
        for name, one in inspect.getmembers(module, inspect.isclass)
        if issubclass(one, Watched) and one.__module__ == module.__name__ and name != "Causes"
    }
    assert len(known) > 20
    assert {name for name in known if f"Told({name}(" not in shown} == set()
