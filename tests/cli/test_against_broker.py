"""Commands over a real broker and through the real gates; what they come to is recorded at the seam to the bench."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import exits
from benchd.errors import BenchdError
from benchd.testing.mqtt_rig import MqttRig, until

pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

CARRIAGE = {"state": "idle", "homed": True, "why": None, "carriage_um": 9341.5, "depth_um": 51358.8, "offset_um": 0.0,
            "stale": False, "source": "encoder", "limits_um": [0, 15000], "u_um": 0.4}  # fmt: skip
SETUP: dict[str, Any] = {
    "rev": 1187, "lens": "L-0417", "job": None, "arrangement": "wall", "mount": "m50", "adapters": ["ring-07"],
    "glass": ["pane-25"], "ring": "infinity", "distance_mm": 5012.0, "m": {"value": 0.0101, "u": 0.00002},
    "f_number": None, "light_nm": None, "temperature_C": 22.4, "support": None, "trim_um": 0.0, "stale": False,
    "absolute": True, "notes": ["Ring at infinity, 501 µm taken off."],
    "chain": [{"term": "carriage", "value_um": 9341.5, "u_um": 3.8, "dof": None, "shape": "normal",
               "source": "sum of the terms", "kind": "B"}],
}  # fmt: skip
PROCEDURE = {"run": None, "procedure": None, "state": "idle", "step": 0, "of": 0, "progress": 0.0, "eta_s": None,
             "ask": None}  # fmt: skip
FINDING = {
    "finding": "f-310", "assessment": "flange", "run": "r-0192", "lens": "L-0417", "absolute": True, "measurand": {},
    "values": {"focus_error": {"value": 17.6, "unit": "um", "u": 3.8, "dof": 2600, "k": 1.96, "U": 7.5}},
    "verdict": {"is": "fail", "value": "focus_error", "low": -10, "high": 10, "unit": "um", "p_conform": 0.024,
                "rule": "JCGM 106, 95 %", "next": None},
}  # fmt: skip
ABOUT = {
    "version": "0.1.0", "arrangement": "wall", "epoch": "k3f9",
    "devices": {"carriage": {"kind": "axis", "driver": "gcode_axis", "model": ""},
                "target_light": {"kind": "light", "driver": "gcode_light", "model": ""},
                "operator": {"kind": "operator", "driver": "operator", "model": "person"}},
    "procedures": {"flange_check": {"title": "Flange depth of a prime", "needs": {}, "inputs": {
        "lens": {"type": "lens"}, "adapters": {"type": "list", "of": "adapter"},
        "distance_mm": {"type": "length", "unit": "mm"}}}},
}  # fmt: skip


def stands(rig: MqttRig) -> None:
    """The kept documents of a bench at rest."""
    for topic, doc in (("about", ABOUT), ("setup", SETUP), ("procedure", PROCEDURE), ("device/carriage", CARRIAGE)):
        rig.notices.put(topic, doc)
    rig.notices.put("device/target_light", {"state": "ok", "code": None, "text": "", "level": 0.4})


async def test_a_command_takes_control_first_and_says_so(rig: MqttRig, cli: Any) -> None:
    told = await cli("do", "move", "by_um=-0.5 mm", "--no-wait", "--user", "anna")
    assert told.code == exits.DONE
    assert "Control taken as anna." in told.err
    assert told.out == "move: accepted; did move.\n", "it has hardly begun"
    (request,) = rig.done
    assert (request.user, request.verb, request.args.by_um, request.fresh) == ("anna", "move", -500.0, True)
    again = await cli("do", "nominal", "--no-wait", "--user", "anna")
    assert again.err == ""


async def test_what_another_holds_is_refused_with_text_advice_and_code(rig: MqttRig, cli: Any) -> None:
    rig.control.take("wall")
    told = await cli("do", "home", "--user", "anna")
    assert told.code == exits.REFUSED
    assert "wall holds control. (not_holder)\nAsk wall to release it" in told.err
    assert told.out == ""
    assert rig.done == []
    as_json = await cli("do", "home", "--user", "anna", "--json")
    assert as_json.doc["error"]["code"] == "not_holder"
    assert as_json.doc["ok"] is False


@pytest.mark.parametrize(
    ("words", "became"),
    [
        (["home", "--no-wait"], "accepted"),
        (["setup", "lens=", "follow=true", "--no-wait"], "accepted"),
        (["run", "procedure=flange_check"], "accepted"),
        (["abort", "run=r-1"], "accepted"),
        (["run", "procedure=flange_check", "dry=true"], "done"),
        (["setup", "lens="], "done"),
        (["light", "level=0.4", "--no-wait"], "done"),
        (["pause", "run=r-1"], "done"),
    ],
)
async def test_what_was_only_begun_is_not_called_done(rig: MqttRig, cli: Any, words: list[str], became: str) -> None:
    told = await cli("do", *words)
    assert told.code == exits.DONE, told.err
    assert told.out.startswith(f"{words[0]}: {became}; did")


@pytest.mark.parametrize(
    "words", [["run", "flange_check", "--dry"], ["do", "run", "procedure=flange_check", "dry=true"]]
)
async def test_a_dry_run_takes_no_control(rig: MqttRig, cli: Any, words: list[str]) -> None:
    stands(rig)
    rig.control.take("wall")
    told = await cli(*words, "--user", "anna", "--json")
    assert (told.code, told.err) == (exits.DONE, "")
    assert [(one.verb, one.args.dry) for one in rig.done] == [("run", True)]
    assert rig.control.holder == "wall"


async def test_light_needs_no_control(rig: MqttRig, cli: Any) -> None:
    rig.control.take("wall")
    told = await cli("do", "light", "level=0.4", "--json")
    assert told.doc == {"ok": True, "result": {"did": "light"}}
    assert rig.done[0].args.level == 0.4


async def test_what_is_set_up_stands_under_set_as_the_contract_has_it(rig: MqttRig, cli: Any) -> None:
    words = ["lens=L-0417", "adapters=ring-07,gap-03", "glass=", "distance_mm=5 m", "m=0.0101+-0.00002", "rev=7"]
    assert (await cli("do", "setup", *words)).code == exits.DONE
    args = rig.done[0].args
    assert args.rev == 7
    assert args.set.given() == {
        "lens": "L-0417", "adapters": ["ring-07", "gap-03"], "glass": [], "distance_mm": 5000.0,
        "m": {"value": 0.0101, "u": 0.00002},
    }  # fmt: skip


async def test_it_waits_for_the_event_of_the_end_and_tells_where_it_stands(rig: MqttRig, cli: Any) -> None:
    stands(rig)
    work = asyncio.create_task(cli("do", "home", "--json"))
    await until(lambda: bool(rig.done))
    await asyncio.sleep(0.2)
    assert not work.done()
    rig.events.tell("done", "Somebody else's.", severity="info", cause="other", data={"verb": "home"})
    rig.events.tell("done", "'home' is done.", severity="info", cause=rig.done[0].id, data={"verb": "home"})
    told = await work
    assert told.code == exits.DONE
    assert told.doc["result"] == {"carriage_um": 9341.5, "depth_um": 51358.8, "offset_um": 0.0, "homed": True}


@pytest.mark.parametrize(("code", "exit_code"), [("device_fault", exits.FAULT), ("limit", exits.REFUSED)])
async def test_a_motion_that_fails_ends_with_its_code(rig: MqttRig, cli: Any, code: Any, exit_code: int) -> None:
    work = asyncio.create_task(cli("do", "home"))
    await until(lambda: bool(rig.done))
    rig.events.tell(code, "No switch.", severity="error", advice="Look at it.", cause=rig.done[0].id)
    told = await work
    assert told.code == exit_code
    assert f"No switch. ({code})\nLook at it." in told.err


async def test_the_first_ctrl_c_of_a_motion_stops_and_the_second_leaves(rig: MqttRig, run_folder: Path) -> None:
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "benchd.cli.main", "do", "home", "--user", "anna",
        stderr=asyncio.subprocess.PIPE, env={**os.environ, "XDG_RUNTIME_DIR": str(run_folder.parent)},
    )  # fmt: skip
    assert process.stderr is not None
    await until(lambda: bool(rig.done))
    process.send_signal(signal.SIGINT)
    await until(lambda: bool(rig.stops))
    assert rig.stops[0][0] == "anna"
    assert process.returncode is None
    process.send_signal(signal.SIGINT)
    assert await process.wait() == exits.REFUSED
    told = (await process.stderr.read()).decode()
    assert "Stop sent." in told
    assert "Traceback" not in told


async def test_stop_is_heard_and_says_so(rig: MqttRig, cli: Any) -> None:
    work = asyncio.create_task(cli("stop", "--user", "anna", "--json"))
    await until(lambda: bool(rig.stops))
    rig.events.tell("stopped", "Stopped by anna.", data={"user": "anna"})
    told = await work
    assert (told.code, told.doc) == (exits.DONE, {"ok": True, "stopped": True, "paused": None})
    assert rig.stops[0][0] == "anna"


@pytest.mark.parametrize("words", [["stop"], ["stop", "carriage"], ["do", "stop"], ["do", "stop", "axis=x", "now!"]])
@pytest.mark.parametrize(
    ("state", "said"),
    [
        ({}, "Stopped.\n"),
        ({"run": "r-0006", "state": "done"}, "Stopped.\n"),
        (
            {"run": "r-0007", "state": "paused"},
            "Stopped. r-0007 is paused: `benchd do resume run=r-0007` goes on, `benchd do abort run=r-0007` ends it.\n",
        ),
    ],
)
async def test_stop_names_the_run_that_it_paused_and_no_other(
    rig: MqttRig, cli: Any, words: list[str], state: dict[str, Any], said: str
) -> None:
    stands(rig)
    rig.notices.put("procedure", PROCEDURE | state | ({"state": "asking"} if state.get("state") == "paused" else {}))
    work = asyncio.create_task(cli(*words))
    await until(lambda: bool(rig.stops))
    rig.events.tell("stopped", "Stopped by anna.", data={"user": "anna"})
    rig.notices.put("procedure", PROCEDURE | state)
    told = await work
    assert (told.code, told.out) == (exits.DONE, said)


async def test_a_stop_that_nobody_confirms_is_a_fault(rig: MqttRig, cli: Any) -> None:
    told = await cli("do", "stop", "axis=carriage")
    assert told.code == exits.FAULT
    assert "Use the emergency stop" in told.out
    assert rig.stops[0][1].axis == "carriage"


@pytest.mark.parametrize("words", [["stop"], ["do", "stop"]])
@pytest.mark.parametrize(
    ("code", "exit_code"),
    [("device_fault", exits.FAULT), ("timeout", exits.FAULT), ("interlock", exits.REFUSED)],
)
async def test_a_stop_that_failed_ends_with_its_code_though_it_is_over(
    rig: MqttRig, cli: Any, words: list[str], code: Any, exit_code: int
) -> None:
    async def fails() -> None:
        rig.events.tell("stopped", "Stopped by anna.", data={"user": "anna"})
        raise BenchdError(code, "iris_ring was not stopped: it turned.", advice="Cut its power now.")

    rig.while_stopping = fails
    told = await cli(*words, "--user", "anna")
    assert told.code == exit_code
    assert f"iris_ring was not stopped: it turned. ({code})\nCut its power now." in told.err
    assert "Stopped" not in told.out
    told = await cli(*words, "--user", "anna", "--json")
    assert (told.code, told.doc["ok"], told.doc["error"]["code"]) == (exit_code, False, code)


async def test_status_is_one_screen_and_one_document(rig: MqttRig, cli: Any) -> None:
    stands(rig)
    rig.notices.put("finding/flange", FINDING)
    async with asyncio.timeout(120.0):
        while "flange: f-310" not in (told := await cli("status")).out or ", homed" not in told.out:
            pass  # it is on its way to the broker
    assert told.code == exits.DONE
    assert "flange: f-310 L-0417: focus error +17.6 ± 7.5 µm, FAIL" in told.out
    for words in ("idle, carriage 9341.5 µm, depth 51358.8 µm, offset 0.0 µm, homed", "nobody holds it",
                  "revision 1187", "Target to wall      5012 mm", "0.010100 (u = 0.000020)", "level 0.4",
                  "waits to be asked", "- Ring at infinity, 501 µm taken off."):  # fmt: skip
        assert words in told.out
    assert "RELATIVE" not in told.out
    doc = (await cli("status", "--json")).doc
    assert doc["bench"] == "north-rail"
    assert doc["device/carriage"]["carriage_um"] == 9341.5


def interruptible() -> None:
    """In the child: a test run that a shell started in the background hands on an ignored SIGINT."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


async def test_watch_gives_what_is_kept_and_then_what_comes(rig: MqttRig, run_folder: Path) -> None:
    stands(rig)
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-m", "benchd.cli.main", "watch", "event", "--json",
        stdout=asyncio.subprocess.PIPE, env={**os.environ, "XDG_RUNTIME_DIR": str(run_folder.parent)},
        preexec_fn=interruptible,
    )  # fmt: skip
    assert process.stdout is not None
    line = asyncio.create_task(process.stdout.readline())
    while not line.done():
        rig.events.tell("note", "hello")
        await asyncio.sleep(0.1)
    said = json.loads(line.result())
    assert (said["topic"], said["doc"]["text"]) == ("event", "hello")
    process.send_signal(signal.SIGINT)
    await process.stdout.read()
    assert await process.wait() == exits.DONE


async def test_inputs_are_checked_by_what_the_bench_says_of_the_procedure(rig: MqttRig, cli: Any) -> None:
    stands(rig)
    wrong = await cli("run", "flange_check", "lense=L-0417")
    assert (wrong.code, rig.done) == (exits.USAGE, [])
    assert "there is no input 'lense'; the inputs are lens, adapters, distance_mm" in wrong.err
    unknown = await cli("run", "flange_chek")
    assert unknown.code == exits.REFUSED
    assert "There is no procedure 'flange_chek'. (unknown_name)\nDid you mean 'flange_check'?" in unknown.err
    assert "Procedures are read when benchd starts: one added since is not known yet." in unknown.err


async def test_no_bench_here_says_how_to_start_one(cli: Any) -> None:
    told = await cli("status")
    assert told.code == exits.REFUSED
    assert "No bench is running here. (not_found)\nStart one with `benchd up BENCH`" in told.err
    shown = await cli("show", "run")
    assert "--bench-file FILE" in shown.err


async def test_a_broker_without_a_bench_is_told_from_none(rig: MqttRig, cli: Any, run_folder: Path) -> None:
    told = await cli("status", "--bench", "south", "--host", "127.0.0.1", "--port", _port(run_folder))
    assert told.code == exits.REFUSED
    assert "The bench south is not known to this broker. (not_found)" in told.err
    dead = await cli("status", "--host", "127.0.0.1", "--port", "1")
    assert dead.code == exits.FAULT
    assert "No MQTT broker answers" in dead.err


def _port(run_folder: Path) -> str:
    return str(json.loads((run_folder / "north-rail.json").read_text(encoding="utf-8"))["port"])


async def test_a_name_that_no_topic_holds_is_refused(cli: Any, rig: MqttRig) -> None:
    told = await cli("do", "home", "--user", "Anna Berg")
    assert told.code == exits.USAGE
    assert "1 to 32 of a-z" in told.err


async def test_an_account_that_would_not_be_used_is_refused(rig: MqttRig, cli: Any, tmp_path: Path) -> None:
    """The broker on this machine asks nobody for one, and is not known by a certificate."""
    stands(rig)
    secret = tmp_path / "secret.txt"
    secret.write_text("s3cret\n", encoding="utf-8")
    secret.chmod(0o600)
    for option, told in (("--password-file", "asks for no account"), ("--ca-file", "is for a broker that is named as")):
        answer = await cli("status", option, str(secret))
        assert answer.code == exits.USAGE
        assert told in answer.err


EVIL = "\x1b[2J\x1b[31m\x9b2K\u202e\nVerdict PASS"


@pytest.mark.parametrize("words", [["status"], ["status", "--json"], ["watch"], ["watch", "--json"]])
async def test_what_comes_from_outside_steers_no_terminal(rig: MqttRig, cli: Any, words: list[str]) -> None:
    """A camera's header with `\x1b[31m` went into an event and coloured the terminal; a name can begin a line."""
    stands(rig)
    rig.notices.put("device/detector", {"state": "fault", "code": "link", "text": f"its header says {EVIL}"})
    rig.notices.put("setup", SETUP | {"job": EVIL, "support": EVIL, "notes": [f"Of {EVIL}."]})
    rig.notices.put("finding/flange", FINDING | {"lens": EVIL})
    devices = {"detector": {"kind": "camera", "driver": EVIL}, "operator": {"kind": "operator", "driver": "operator"}}
    rig.notices.put("about", ABOUT | {"devices": devices})
    if words[0] == "watch":

        async def end() -> None:
            await asyncio.sleep(2.0)
            rig.notices.tell("event", {"t": "2031-04-05T09:20:02Z", "code": "note", "severity": "info", "text": EVIL,
                                       "advice": "", "data": {"answer": EVIL}, "cause": None})  # fmt: skip
            await asyncio.sleep(0.5)
            rig.notices.put("online", False)  # type: ignore[arg-type]

        ending = asyncio.create_task(end())
        told = await cli(*words)
        await ending
    else:
        told = await cli(*words)
    assert told.code == exits.DONE, told.err
    said = told.out + told.err
    assert {sign for sign in said if sign in "\x1b\x9b\u202e"} == set()
    assert "\\u001b[31m" in said
    assert not any(line.strip().startswith("Verdict PASS") for line in said.splitlines())
    if "--json" in words:
        docs = [json.loads(line) for line in told.out.splitlines()]
        assert any(EVIL in one for one in _texts(docs)), "programs get it as it came"


def _texts(value: Any) -> list[str]:
    if isinstance(value, dict):
        return [text for inner in value.values() for text in _texts(inner)]
    if isinstance(value, list):
        return [text for inner in value for text in _texts(inner)]
    return [value] if isinstance(value, str) else []
