"""The exit codes, the same for every command."""

from __future__ import annotations

DONE = 0
REFUSED = 1
USAGE = 2
FAULT = 3
NOT_PASSED = 4
"""A verdict of fail or undecided: the run itself went well."""

TABLE = "exit codes: 0 done, 1 refused, 2 usage, 3 fault, 4 verdict fail or undecided"
