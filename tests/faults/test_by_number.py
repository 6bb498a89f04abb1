"""Each fault of motion and of links that a bench has to survive has a test that is named after its number.

The list is the project's own: 1 to 18 are of motion, 18a to 18c of clearance, lost bytes and slow networks, 19 to 34 of
links. A test of several names them all: `test_faults_24_26_31_...`.
"""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
NUMBERED = [*(str(number) for number in range(1, 35)), "18a", "18b", "18c"]
NAMED = re.compile(r"def test_faults?((?:_\d+[abc]?)+)_")


def test_every_fault_has_a_test_of_its_number() -> None:
    tested = {
        number
        for path in TESTS.rglob("test_*.py")
        for name in NAMED.findall(path.read_text(encoding="utf-8"))
        for number in name.split("_")[1:]
    }
    assert [number for number in NUMBERED if number not in tested] == []
