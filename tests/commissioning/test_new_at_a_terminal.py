"""`benchd new` at a real terminal: questions with defaults, back, wrong answers, and leaving without a half file."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.procedures.read_bench import read_bench
from tests.at_a_terminal import Terminal

pytestmark = pytest.mark.stack


class Person:
    """Answers what is asked, each question by a word that stands in it."""

    def __init__(self, terminal: Terminal) -> None:
        self.terminal = terminal
        self.seen = 0

    def answers(self, question: str, text: str) -> None:
        self.seen = self.terminal.until(question, self.seen)
        self.seen = self.terminal.until(":", self.seen)
        self.terminal.type(text)

    def is_told(self, text: str) -> None:
        self.seen = self.terminal.until(text, self.seen)


def left(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir() if one.name != "xdg")


def test_a_session_with_mistakes_ends_in_a_file_that_passes(terminal: Terminal, tmp_path: Path) -> None:
    terminal.type(
        "benchd new carriage_by=gcode light=no pointer=no rings=none sensors=none scale_port=none indicator_port=none "
        "camera_url=none camera_source=none camera_folder=none seat=rail mount=m50 base_of=brass "
        "u_base_mm=1 joint_u_um=1 clearance_um=2mm settle_ms=150 shims_um=10,20; echo ended: $?"
    )
    person = Person(terminal)
    person.is_told("`quit` leaves")
    person.answers("Name of the bench", "Two Words")
    person.is_told("will not do: a name: 1 to 32")
    person.answers("Name of the bench", "left-rail")
    person.answers("What stands where", "back")
    person.answers("Name of the bench", "")  # what was typed before is the default now
    person.answers("What stands where", "1")
    person.answers("Time zone", "?")
    person.is_told("benchd new time_zone=..")
    person.answers("Time zone", "UTC")
    person.answers("Port of the controller", "")
    person.is_told("has to be answered")
    person.answers("Port of the controller", "/dev/ttyUSB7")
    for question in ("baud rate", "letter of its axis", "one unit of the controller", "Which way its numbers grow"):
        person.answers(question, "")
    person.answers("Its own number", "0")
    person.answers("How far the carriage may go", "0, 30")  # µm where mm are meant
    person.is_told("30000 is meant, a factor of 1000?")
    person.answers("How far the carriage may go", "0, 30 mm")
    for question in ("top speed", "acceleration", "One step", "From which side", "search for the home switch"):
        person.answers(question, "" if "search" not in question else "500")
    person.answers("flange depth", "50 mm")
    person.answers("From that face", "24")
    person.answers("Side of the dark square", "1")
    person.answers("How well that is known", "")
    person.answers("How near the carriage", "")
    person.is_told("devices.stage.home_search_um: 500")  # what benchd check says; only that is asked again
    person.answers("search for the home switch", "32 mm")
    person.is_told("bench.yaml is written")
    person.is_told("ended: 0")
    file = read_bench(tmp_path / "bench.yaml").loaded.file
    assert (file.bench, file.time_zone, file.base.alpha_per_K, file.shims_um) == ("left-rail", "UTC", 19e-6, (10, 20))
    assert file.devices["stage"].rest["travel_um"] == [0, 30000]
    assert left(tmp_path) == ["bench.yaml"]
    assert "Traceback" not in terminal.shown


def test_whoever_leaves_leaves_nothing_behind(terminal: Terminal, tmp_path: Path) -> None:
    """By quit, by Ctrl-D and by Ctrl-C, each in the midst of it."""
    person = Person(terminal)
    for ends, said in (("quit\n", "Nothing was written."), ("\x04", "Nothing was written."), ("\x03", "Interrupted")):
        terminal.type("benchd new; echo ended: $?")
        person.answers("Name of the bench", "mine")
        person.is_told("What stands where")
        person.is_told("[wall]:")
        terminal.keys(ends)
        person.is_told(said)
        if ends == "\x03":  # the shell's own line goes with it
            terminal.type("echo ended: 1")
        person.is_told("ended: 1")
    assert left(tmp_path) == []
    assert "Traceback" not in terminal.shown
