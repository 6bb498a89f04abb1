"""Sentences in a terminal of 80 columns: words were broken at its edge."""

from __future__ import annotations

import io
import os
import pty
import struct
from collections.abc import Iterator
from fcntl import ioctl
from termios import TIOCSWINSZ

import pytest

from benchd.cli.prose import wrapped

LONG = (
    "Inputs: lens: needed, the id of a lens record; adapters: needed, a list of ids of adapter records.\n"
    "  - a line that stands in goes on farther in, so that the next of its kind can be told from it, as here\n"
    "short"
)


@pytest.fixture
def terminal() -> Iterator[io.TextIOWrapper]:
    ours, theirs = pty.openpty()
    ioctl(theirs, TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    with open(theirs, "w", encoding="utf-8") as stream:
        yield stream
    os.close(ours)


def test_a_line_ends_between_words(terminal: io.TextIOWrapper) -> None:
    told = wrapped(LONG, terminal).split("\n")
    assert [len(line) <= 80 for line in told] == [True] * 5
    assert " ".join(line.strip() for line in told).split() == LONG.split()
    assert told[3].startswith("    ")
    assert told[4] == "short"


def test_what_is_longer_than_a_line_stays_whole(terminal: io.TextIOWrapper) -> None:
    url = "mqtts://" + "broker-" * 20
    assert url in wrapped(f"Name it: {url}", terminal).split("\n")


def test_a_file_gets_the_lines_as_they_are() -> None:
    assert wrapped(LONG, io.StringIO()) == LONG
