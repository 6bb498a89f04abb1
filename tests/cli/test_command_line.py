"""What is typed: commands and options, what is loaded for them, and how values are read."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from argparse import Namespace
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import exits, options, values
from benchd.cli.guard import UsageError
from benchd.cli.inputs import from_words
from benchd.cli.main import COMMANDS, main
from benchd.cli.show import kind_of
from benchd.cli.speak import as_name
from benchd.cli.watch import _below, _is_filter

HEAVY = (
    "numpy",
    "scipy",
    "pydantic",
    "rich",
    "aiomqtt",
    "sqlalchemy",
    "ruamel",
    "matplotlib",
    "asyncio",
    "benchd.daemon",
)


def loaded_after(statement: str) -> set[str]:
    """The modules in a fresh interpreter after a statement."""
    told = subprocess.run(
        [sys.executable, "-c", f"{statement}\nimport sys\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    )
    return set(told.stdout.rsplit("\n", 2)[-2].split())


def test_the_command_line_itself_loads_nothing_heavy() -> None:
    assert loaded_after("import benchd.cli.main").isdisjoint(HEAVY)


def test_the_daemon_leaves_scipy_and_plots_to_its_worker() -> None:
    """Each costs tens of megabytes for as long as the daemon runs, and half a second of its start."""
    loaded = loaded_after("import benchd.daemon, benchd.cli.up")
    assert not [name for name in loaded if name.split(".")[0] in ("scipy", "matplotlib")]


@pytest.mark.parametrize("name", COMMANDS)
def test_the_help_of_a_command_loads_nothing_heavy_either(name: str) -> None:
    call = f"from benchd.cli.main import main\ntry: main([{name!r}, '--help'])\nexcept SystemExit: pass"
    # That of `do` lists the verbs, which say themselves what they take.
    assert loaded_after(call).isdisjoint(set(HEAVY) - ({"pydantic", "asyncio"} if name == "do" else set()))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_says_what_it_takes(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main([name, "--help"])
    assert left.value.code == 0
    told = capsys.readouterr().out
    assert told.startswith(f"usage: benchd {name}")
    assert "4 verdict fail or undecided" in told


def test_help_lists_every_command_and_the_caution(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    told = capsys.readouterr().out
    assert all(f"  {name} " in told for name in COMMANDS)
    assert "not an emergency stop" in told


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (["statsu"], "did you mean 'status'"),
        (["status", "--bnech", "x"], "unrecognized arguments"),
        (["do"], "required: verb\n"),
        (["run"], "required: procedure\n"),
        (["--nothing"], "unrecognized arguments: --nothing"),
    ],
)
def test_wrong_usage_says_what_is_wrong_and_ends_with_2(
    given: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(given)
    assert left.value.code == exits.USAGE
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""


NO_PORTS = ("", "mqtt", "8883x", "0x50", "1_883", " 1883", "+1883", "1883.0", "\u0661", "-1", "0", "65536", "70000")
TOO_LONG = ("1883000000", "0000070000", "9" * 5000)


@pytest.mark.parametrize("text", [*NO_PORTS, *TOO_LONG])
def test_what_is_no_port_is_told_with_what_is(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["status", "--port", text])
    assert left.value.code == exits.USAGE
    assert f"argument --port: '{text}' is no port, which is a whole number from 1 to 65535" in capsys.readouterr().err


@pytest.mark.parametrize("port", [1, 1883, 65535])
def test_a_port_is_taken_as_it_stands(port: int) -> None:
    parser = argparse.ArgumentParser()
    options.reach(parser)
    assert parser.parse_args(["--port", str(port)]).port == port


@pytest.mark.parametrize("place", ["", "nowhere/ports.json"])
def test_a_file_of_ports_that_cannot_be_one_is_told_before_the_start(
    place: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["up", str(tmp_path / "bench.yaml"), "--ports-file", str(tmp_path / place)]) == exits.USAGE
    assert f"--ports-file {tmp_path / place}: name a file, in a folder that is there" in capsys.readouterr().err


def test_the_code_is_the_same_for_a_reader_that_has_gone(tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "benchd.cli.main", "check", str(tmp_path / "none.yaml")]
    buffered = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    told = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, text=True, check=False, env=buffered)
    os.close(writer)
    assert (told.returncode, told.stderr) == (exits.REFUSED, "")


def test_without_a_command_the_help_is_shown_and_the_code_is_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == exits.USAGE
    assert "commands:" in capsys.readouterr().err


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    from importlib.metadata import version

    assert main(["--version"]) == exits.DONE
    assert capsys.readouterr().out == f"benchd {version('benchd')}\n"


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("9000", None, 9000),
        ("-12.5", "um", -12.5),
        ("1e3", None, 1000.0),
        (".5", None, 0.5),
        ("true", None, True),
        ("null", "um", None),
        ("infinity", None, "infinity"),
        ("L-0417", None, "L-0417"),
        ("10 um", "um", 10.0),
        ("-0.5 mm", "um", -500.0),
        ("2 ft", "mm", 609.6),
        ("5 m", "mm", 5000.0),
        ("0.0101+-0.00002", None, {"value": 0.0101, "u": 0.00002}),
        ("0.0101 ± 0.00002", None, {"value": 0.0101, "u": 0.00002}),
        ('{"value": 1, "u": 2}', None, {"value": 1, "u": 2}),
        ("[1, 2]", None, [1, 2]),
        ('"17"', None, "17"),
    ],
)
def test_a_value_is_read_as_a_person_means_it(text: str, unit: str | None, value: Any) -> None:
    found = values.value(text, unit=unit)
    assert found == (pytest.approx(value) if isinstance(value, float) else value)
    assert type(found) is type(value)


@pytest.mark.parametrize(
    "word",
    [
        "carriage_um",
        "=5",
        "carriage-um=5",
        "by_um=tenn",
        "by_um=1,5 mm",
        "by_um=10 parsec",
        "by_um=9**9**9 um",
        "x=1e999",
        "set={",
        "set=[NaN]",
        'set={"a": Infinity}',
    ],
)
def test_what_cannot_be_read_is_refused_naming_it(word: str) -> None:
    with pytest.raises(UsageError, match=r"(key=value|number|JSON|decimal point|no unit)"):
        values.pairs([word])


def test_a_key_given_twice_is_refused() -> None:
    with pytest.raises(UsageError, match="'by_um' is given twice"):
        values.pairs(["by_um=1", "by_um=2"])


def test_lists_are_written_with_commas_and_may_be_empty() -> None:
    found = values.pairs(["adapters=ring-07, gap-03", "glass=", "axes=carriage"], lists={"adapters", "glass", "axes"})
    assert found == {"adapters": ["ring-07", "gap-03"], "glass": [], "axes": ["carriage"]}


INPUTS: dict[str, dict[str, Any]] = {
    "lens": {"type": "lens"},
    "adapters": {"type": "list", "of": "adapter"},
    "distance_mm": {"type": "length", "unit": "mm"},
    "reach": {"type": "length", "unit": "m", "default": 1},
    "m": {"type": "measured", "default": None},
    "repeats": {"type": "integer", "default": 5},
}


def test_inputs_of_a_procedure_are_read_by_what_they_are() -> None:
    words = ["lens=0417", "adapters=ring-07", "distance_mm=5 m", "reach=20 mm", "m=0.0101+-0.0001", "repeats=3"]
    assert from_words(words, INPUTS) == {
        "lens": "0417",
        "adapters": ["ring-07"],
        "distance_mm": 5000.0,
        "reach": 0.02,
        "m": {"value": 0.0101, "u": 0.0001},
        "repeats": 3,
    }


def test_an_input_that_is_not_there_is_refused_with_those_that_are() -> None:
    with pytest.raises(UsageError, match=r"no input 'lenss'; the inputs are lens, adapters, distance_mm, \[reach\]"):
        from_words(["lenss=L-0417"], INPUTS)


@pytest.mark.parametrize(
    ("login", "name"),
    [
        ("anna", "anna"),
        ("Anna.Berg", "annaberg"),
        ("DOMAIN\\user 1", "domainuser1"),
        ("é", "someone"),
        ("a" * 40, "a" * 32),
    ],
)
def test_a_login_is_reduced_to_what_a_topic_holds(login: str, name: str) -> None:
    assert as_name(login) == name


# MQTT 5.0, 4.7.1: '#' stands alone in the last level, '+' for one whole level.
@pytest.mark.published
@pytest.mark.parametrize(
    ("topic", "fits"),
    [
        ("#", True),
        ("device/+", True),
        ("+/#", True),
        ("event", True),
        ("device/#/x", False),
        ("de+", False),
        ("a#", False),
    ],
)
def test_a_topic_filter_is_one_of_mqtt(topic: str, fits: bool) -> None:
    assert _is_filter(topic) is fits


def test_a_whole_topic_is_understood_as_well() -> None:
    assert _below("benchd/north-rail/device/+") == "device/+"
    assert _below("device/+") == "device/+"
    assert _below(None) == "#"


@pytest.mark.parametrize(("encoding", "said"), [("ascii", "10 ?m"), ("utf-8", "10 \u00b5m")])
def test_a_terminal_without_a_micro_sign_gets_a_question_mark(encoding: str, said: str) -> None:
    call = "from benchd.cli.guard import guarded; from argparse import Namespace\n"
    call += "guarded(lambda _: print('10 \\u00b5m') or 0, Namespace())"
    told = subprocess.run(
        [sys.executable, "-c", call], capture_output=True, check=True, env={"PYTHONIOENCODING": encoding}
    )
    assert told.stdout.decode("utf-8").strip() == said


def test_what_may_stand_before_an_id_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", "lends", "L-1"]) == 2
    assert "'lends' is none of lens, run, finding, calibration, setup" in capsys.readouterr().err


@pytest.mark.parametrize(("name", "kind"), [
    ("r-0003", "run"), ("f-1", "finding"), ("cal-2", "calibration"), ("setup-10", "setup"), ("10", "setup"),
    ("L-0417", "lens"), ("collar", "lens"),
])  # fmt: skip
def test_an_id_by_itself_says_what_it_is_of(name: str, kind: str) -> None:
    """`show r-0003` was refused, the word `run` missing."""
    assert kind_of(Namespace(what=name, id=None)) == kind
