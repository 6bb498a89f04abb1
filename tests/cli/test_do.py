"""`benchd do`: each verb's own page, the run that need not be named, refusals in the words that were typed."""

from __future__ import annotations

from typing import Any

import pytest

from benchd.cli import exits
from benchd.cli.console import out
from benchd.cli.main import main
from benchd.cli.set_up_said import head, table
from benchd.cli.tables import pairs
from benchd.testing.mqtt_rig import MqttRig
from benchd.verbs.table import VERBS
from tests.plain_text import text_of

PROCEDURE = {"run": None, "procedure": None, "state": "idle", "step": 0, "of": 0, "progress": 0.0, "eta_s": None,
             "ask": None}  # fmt: skip

pytestmark = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")


@pytest.mark.parametrize("verb", ["stop", *VERBS])
def test_a_verbs_help_names_all_its_arguments_within_80_columns(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    """`benchd do move --help` printed the general page."""
    assert main(["do", verb, "--help"]) == exits.DONE
    page = capsys.readouterr().out
    names = set() if verb == "stop" else set(VERBS[verb].args.model_fields) - {"set"}
    assert page.startswith(f"usage: benchd do {verb}")
    assert {name for name in names if f"\n  {name} " not in page} == set()
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.parametrize(
    ("verb", "line"),
    [
        ("move", "carriage_um  a number, in µm"),
        ("move", "to_deg       a number, in degrees"),
        ("light", "level     a number, 0 to 1"),
        ("light", "for_s     a number, more than 0, at most 86400, in s"),
        ("setup", "temperature_C  a number, 0 to 45, in °C"),
        ("setup", "m              a value with its standard uncertainty, such as 0.0102+-0.00001"),
        ("sweep", "repeats  a whole number, 1 to 100; 1 if left out"),
        ("pause", "run  text; the one under way if left out"),
    ],
)
def test_bounds_and_units_are_those_of_the_model(verb: str, line: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["do", "--help", verb]) == exits.DONE
    assert line in capsys.readouterr().out


@pytest.mark.parametrize("verb", ["pause", "resume", "abort"])
async def test_the_one_run_there_is_need_not_be_named(rig: MqttRig, cli: Any, verb: str) -> None:
    """`do pause` demanded `run=`, and there is never more than one."""
    rig.notices.put("procedure", PROCEDURE)
    none = await cli("do", verb)
    assert (none.code, none.err.splitlines()[0]) == (exits.REFUSED, f"There is no run to {verb}. (not_found)")
    rig.notices.put("procedure", {**PROCEDURE, "run": "r-0007", "procedure": "flange_check", "state": "running"})
    assert (await cli("do", verb)).code == exits.DONE
    assert [one.args.run for one in rig.done] == ["r-0007"]
    rig.notices.put("procedure", {**PROCEDURE, "run": "r-0007", "procedure": "flange_check", "state": "done"})
    assert (await cli("do", verb)).code == exits.REFUSED, "it has ended"


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("m=0.0101", "m: a value with its standard uncertainty, such as 0.0102+-0.00001. (bad_request)"),
        ("distance_mm=far", "distance_mm=far"),
        ("lens=7", None),
        ("trim=5", "trim: unknown key; did you mean 'trim_um'?"),
    ],
)
async def test_a_refusal_speaks_of_what_was_typed(rig: MqttRig, cli: Any, typed: str, told: str | None) -> None:
    """It said 'set.m: keys with their values {..}', which nobody had typed."""
    answer = await cli("do", "setup", typed)
    if told is None:
        assert answer.code == exits.DONE, answer.err
        return
    assert answer.code in (exits.REFUSED, exits.USAGE)
    assert told in answer.err
    assert "set." not in answer.err
    assert "{..}" not in answer.err


def test_a_change_of_the_set_up_is_printed_whole() -> None:
    """The screen said 'done; rev 20', whatever had been dropped."""
    dropped = [{"key": "ring", "was": "infinity", "why": "it was stated of lens L-0417"},
               {"key": "m", "was": {"value": 0.0101, "u": 0.00001}, "why": "it was stated of lens L-0417"}]  # fmt: skip
    carried = [{"key": "distance_mm", "was": 5000.0, "now": 4981.999}]
    result = {"rev": 20, "set": {"lens": "L-0418"}, "dropped": dropped, "carried": carried,
              "nominal_carriage_um": 8857.3, "moved_um": -508.0, "absolute": False,
              "why_relative": ["the ring's position is not stated"]}  # fmt: skip
    assert head(result) == "revision 20"
    assert text_of(table(result), width=80).splitlines() == [
        "Set                 lens L-0418",
        "Dropped             ring infinity: it was stated of lens L-0417",
        "Dropped             m 0.010100 (u = 0.000010): it was stated of lens L-0417",
        "Carried over        distance 5000 mm, the target having moved it is 4982 mm",
        "Nominal             carriage 8857.3 µm, moved by −508.0 µm",
        "Zero                RELATIVE: the ring's position is not stated; findings carry",
        "                    no verdict",
    ]
    nothing = result | {"set": {}, "dropped": [], "moved_um": 0.0}
    assert head(nothing) == "nothing has changed, revision 20 stands"


@pytest.mark.parametrize(("columns", "widest"), [("60", 60), ("", 100), ("200", 100), ("many", 100)])
def test_a_table_in_a_pipe_is_as_wide_as_columns_says_and_has_no_blanks_at_its_ends(
    columns: str, widest: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """It was 100 columns wide whatever COLUMNS said, and each line was filled up with blanks."""
    monkeypatch.setenv("COLUMNS", columns)
    out().print(pairs([("Zero", "word " * 60), ("Nominal", "as before")]))
    lines = capsys.readouterr().out.splitlines()
    assert [line for line in lines if line != line.rstrip()] == []
    assert widest - 5 <= max(map(len, lines)) <= widest
