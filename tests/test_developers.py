"""What DEVELOPERS.md says of files is true: each is there, and a message takes few of them to the motor."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "DEVELOPERS.md").read_text("utf-8")
FOLDERS = (
    *("", "benchd", "drivers", "simulators", "scripts", "benchd/arrangements", "benchd/detectors", "benchd/questions"),
    *("benchd/verbs", "benchd/procedures", "benchd/bench", "benchd/bench/sweep", "benchd/bench/motion"),
    "tests/virtual",
)
A_MESSAGE = TEXT.partition("file by file:")[2].split("```")[1]
FILE = re.compile(r"[a-z_]+(?:/[a-z_0-9]+)*\.py\b")
MOST = 20
"""Files that hand a message on to the motor. What they ask on the way (limits, models, the record) is not drawn."""


def is_there(name: str) -> bool:
    return any((ROOT / folder / name).is_file() for folder in FOLDERS)


def test_every_file_it_names_is_there() -> None:
    named = set(FILE.findall(TEXT))
    assert len(named) > MOST
    assert {name for name in named if not is_there(name)} == set()


def test_a_message_takes_few_files_to_the_motor() -> None:
    before, motor, _ = A_MESSAGE.partition("the motor turns")
    assert motor
    assert before.startswith("\n phone")
    assert 10 < len(set(FILE.findall(before))) <= MOST
