"""How far a run is, shown: one line redrawn on a terminal of any width, a line now and then elsewhere."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from rich.console import Console

from benchd.cli.progress import Bar, StepLines


def states(asks: int, steps: int) -> list[dict[str, Any]]:
    """A run of some steps with so many questions in each, as `procedure` tells of it."""
    docs: list[dict[str, Any]] = []
    for step in range(1, steps + 1):
        for ask in range(asks):
            share = (step - 1 + ask / asks) / steps
            doc = {"procedure": "adapter_length", "run": "r-0002", "step": step, "of": steps, "progress": share,
                   "eta_s": 3700.0 * (1 - share), "ask": None}  # fmt: skip
            docs += [doc | {"state": "running"}, doc | {"state": "asking", "ask": {"ask": f"a-{ask}"}}]
    return [*docs, docs[-1] | {"state": "done", "progress": 1.0, "eta_s": None}]


def test_in_a_pipe_questions_are_no_news() -> None:
    """989 lines of progress for one demo: each question was two."""
    said: list[str] = []
    lines = StepLines(said.append)
    for doc in states(asks=40, steps=5):
        lines.take(doc)
    assert len(said) <= 5 + 10 + 1
    assert said[0].startswith("r-0002 running, step 1 of 5, 0 %")
    assert said[-1].startswith("r-0002 done")


@pytest.mark.parametrize("width", [60, 80, 100])
def test_on_a_terminal_it_is_one_line_however_narrow(width: int) -> None:
    """At 80 columns the bar broke into several lines, each of which stayed."""
    out = io.StringIO()
    console = Console(file=out, width=width, force_terminal=True, legacy_windows=False, _environ={"TERM": "xterm"})
    bar = Bar(console, lambda text: None)
    for doc in states(asks=2, steps=5):
        bar.take(doc, asks=False)
    bar.close()
    drawn = [re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", line) for line in out.getvalue().replace("\r", "\n").split("\n")]
    assert any("adapter_length" in line for line in drawn)
    assert max(map(len, drawn)) <= width
    assert all("adapter_length" in line for line in drawn if "%" in line), "nothing was broken off into a second line"
