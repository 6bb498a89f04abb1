"""A run that was under way when the daemon was killed: its `finally` takes back what it had stated of the set-up.

The record closes it, and hardware is opened dark and at rest; but the set-up still says what the run had stated, such
as an iris that was closed for it, and the next lens would be measured by that in silence. What needs hardware is left,
and so are blocks and called procedures, as the record does not tell how far the run came.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from functools import partial
from typing import Any

from benchd.bench.bench import Bench
from benchd.errors import BenchdError
from benchd.procedures import record_facts
from benchd.procedures.language import ProcedureFile
from benchd.procedures.library import Library
from benchd.procedures.scope import resolve
from benchd.procedures.steps import Step
from benchd.procedures.walker import scope_of
from benchd.records.values import Run
from benchd.verbs.entry import plain_text
from benchd.verbs.table import STEPS

LOOK = "See that lens, glass and iris on the bench are those of the set-up."


async def close_abandoned(bench: Bench, library: Library, run: Run) -> str:
    """Take the set-up back, and give what is told of it; empty where nothing is to be looked at. Nothing moves.

    Wherever the set-up is another than when the run began, somebody is told to look: a plate that it names may have
    been in a person's hand. Of a procedure that was edited since, or is gone, nothing is taken back.
    """
    changed = bench.setup.document.rev != run.setup
    text = f"Run {run.run} was under way when the daemon last ended; it is closed."
    file: ProcedureFile | None = None
    if run.procedure in library:
        file = library[run.procedure]
    taken_back: dict[str, Any] = {}
    if file is not None and file.text_sha == run.text_sha:
        facts = partial(record_facts.facts, bench.loaded, bench.setup.calibration)
        scope = scope_of(file.procedure.inputs, run.inputs, facts)
        for step in file.procedure.finally_:
            if step.verb != "setup" or STEPS["setup"].moves(step.args):
                continue
            with suppress(BenchdError):
                taken_back |= await _take_back(bench, resolve(step, scope))
    if taken_back:
        text += f" As it would have at its end, the set-up says again: {plain_text(taken_back)}."
    if changed:
        text += f" The set-up may still say what {'else ' if taken_back else ''}the run had stated."
    look = bool(taken_back) or changed
    bench.events.tell(
        "abandoned",
        text,
        severity="warning" if look else "info",
        advice=LOOK if look else "",
        data={"run": run.run, "procedure": run.procedure, "set": taken_back},
    )
    return f"{text} {LOOK}" if look else ""


async def _take_back(bench: Bench, step: Step) -> Mapping[str, Any]:
    """What the step changes of the set-up; it is changed. Raises BenchdError."""
    before = bench.setup.document.model_dump(mode="json")
    now = (await bench.setup.change(step.args.changes())).model_dump(mode="json")
    return dict(_changed(before, now, step.args.changes()))


def _changed(before: Mapping[str, Any], now: Mapping[str, Any], keys: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    return ((key, now[key]) for key in keys if now[key] != before[key])
