"""What happens on a bench and when: a list of steps, drawn from one number, written as lines that can be read back.

t=12.400 alice: move carriage_um=9000
t=12.410 board: reset
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

_LINE = re.compile(r"t=(?P<at>\d+(?:\.\d+)?) (?P<who>[a-z0-9_-]+): (?P<do>[a-z_]+)(?P<args>.*)")
_FIRST = re.compile(r"# seed (?P<seed>\d+)(?P<curves>, curves)?: .+")
_ARG = re.compile(r" (?P<key>[A-Za-z_]+)=")


@dataclass(frozen=True)
class Step:
    """At `at_s` of virtual time `who` does `do`, whatever else is going on."""

    at_s: float
    who: str
    do: str
    args: dict[str, Any] = field(default_factory=dict, hash=False)

    def __str__(self) -> str:
        given = "".join(f" {key}={json.dumps(value)}" for key, value in self.args.items())
        return f"t={self.at_s:.3f} {self.who}: {self.do}{given}"


MISLEADING = ("answer", "setup", "typed", "repeat", "retain")


def misleads(step: Step) -> bool:
    """Whether it may tell the bench what is not so, or makes what it was told untrue."""
    said = step.args.get("verb", step.do)
    return said in MISLEADING or "forgets" in step.args or step.who == "hand"


@dataclass(frozen=True)
class Kept:
    """A schedule in a file: its first line tells the bench that it is played on, and what it is kept for."""

    seed: int
    curves: bool
    steps: list[Step]

    def written(self, why: str) -> str:
        return f"# seed {self.seed}{', curves' if self.curves else ''}: {why}\n{written(self.steps)}"


def kept(text: str) -> Kept:
    """What such a file holds. Raises ValueError naming the line."""
    first = text.partition("\n")[0]
    if (found := _FIRST.fullmatch(first.rstrip())) is None:
        raise ValueError(f"line 1: '# seed N: why it is kept', not {first!r}")
    return Kept(int(found["seed"]), found["curves"] is not None, read(text))


def written(steps: Iterable[Step]) -> str:
    """The steps, a line each."""
    return "".join(f"{step}\n" for step in steps)


def read(text: str) -> list[Step]:
    """Steps from lines; those that are empty or begin with # are skipped. Raises ValueError naming the line.

    Whether anybody can do what stands there is asked by `words.checked`.
    """
    steps = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.strip() or line.startswith("#"):
            continue
        if (found := _LINE.fullmatch(line.rstrip())) is None:
            raise ValueError(f"line {number}: 't=SECONDS WHO: DO KEY=JSON ...', not {line!r}")
        steps.append(Step(float(found["at"]), found["who"], found["do"], _args(found["args"], number)))
    return steps


def _args(text: str, number: int) -> dict[str, Any]:
    args: dict[str, Any] = {}
    decoder, at = json.JSONDecoder(), 0
    while at < len(text):
        if (key := _ARG.match(text, at)) is None:
            raise ValueError(f"line {number}: KEY=JSON, not {text[at:]!r}")
        try:
            args[key["key"]], at = decoder.raw_decode(text, key.end())
        except json.JSONDecodeError as error:
            raise ValueError(f"line {number}: {key['key']} is no JSON: {error}") from None
    return args
