"""Damaged inputs at the parser of each wire: which raise what has no name, give what cannot be, or grow."""

from __future__ import annotations

import argparse
import gc
import resource
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import islice
from random import Random

from rich.console import Console
from rich.table import Table

from fuzz_inputs import damaged
from fuzz_parsers import Parser, parsers

MOST_GROWN_MB = 10.0
"""Of the process, after the first tenth of a parser's inputs (the project's own figure)."""


@dataclass(frozen=True, slots=True)
class Failure:
    """The shortest input found at which a parser fails, and how."""

    data: bytes
    error: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of so many inputs."""

    inputs: int
    refused: int
    took_s: float
    grown_mb: float
    failure: Failure | None = None


def main() -> int:
    """0 where all hold, 1 where one fails, 2 for a wrong call."""
    say = argparse.ArgumentParser(description=__doc__)
    say.add_argument("--inputs", type=int, help="so many for each parser; without it a million, or 50,000 of slow ones")
    say.add_argument("--seed", type=int, default=1)
    say.add_argument("--only", default="", help="parsers whose name has this in it")
    args = say.parse_args()
    console, failed = Console(), 0
    table = Table("parser", "inputs", "refused", "a second", "grown, MB", title=f"Damaged inputs, seed {args.seed}")
    with parsers() as found:
        chosen = [parser for parser in found if args.only in parser.name]
        if not chosen:
            say.error(f"no parser's name has '{args.only}' in it; there are: {', '.join(one.name for one in found)}")
        for parser in chosen:
            console.print(f"{parser.name} ...", style="dim")
            outcome = fuzzed(parser, args.inputs or parser.inputs, args.seed)
            table.add_row(parser.name, f"{outcome.inputs:,}", f"{outcome.refused / outcome.inputs:.0%}",
                          f"{outcome.inputs / outcome.took_s:,.0f}", f"{outcome.grown_mb:.1f}")  # fmt: skip
            if outcome.failure is not None:
                console.print(f"[red]{parser.name}:[/] {outcome.failure.data!r}: {outcome.failure.error}")
            elif outcome.grown_mb > MOST_GROWN_MB:
                console.print(f"[red]{parser.name}:[/] grew by {outcome.grown_mb:.1f} MB")
            failed += outcome.failure is not None or outcome.grown_mb > MOST_GROWN_MB
    console.print(table)
    return 1 if failed else 0


def fuzzed(parser: Parser, inputs: int, seed: int) -> Outcome:
    """Give a parser so many inputs; ends at the first that fails."""
    refused, before_mb = 0, 0.0
    began = time.monotonic()
    for count, data in enumerate(islice(damaged(parser.seeds, Random(f"{seed} {parser.name}")), inputs), 1):
        try:
            parser.take(data)
        except parser.may:
            refused += 1
        except Exception as error:  # noqa: BLE001  whatever it is: that is the question
            found = shortest(data, lambda less: _fails(parser, less))
            took_s = time.monotonic() - began
            return Outcome(count, refused, took_s, 0.0, Failure(found, repr(error)))
        if count == max(1, inputs // 10):
            gc.collect()
            before_mb = _resident_mb()
    gc.collect()
    return Outcome(inputs, refused, time.monotonic() - began, max(0.0, _resident_mb() - before_mb))


def _fails(parser: Parser, data: bytes) -> bool:
    try:
        parser.take(data)
    except parser.may:
        return False
    except Exception:  # noqa: BLE001
        return True
    return False


def shortest(data: bytes, fails: Callable[[bytes], bool]) -> bytes:
    """Halves, quarters, and so on to single bytes are left out as long as it fails without them."""
    if not fails(data):
        return data  # it fails behind others alone
    piece = len(data) // 2
    while piece:
        at = 0
        while at < len(data):
            less = data[:at] + data[at + piece :]
            if fails(less):
                data = less
            else:
                at += piece
        piece //= 2
    return data


def _resident_mb() -> float:
    with open("/proc/self/statm", encoding="ascii") as told:
        return int(told.read().split()[1]) * resource.getpagesize() / 2**20


if __name__ == "__main__":
    sys.exit(main())
