"""Keep a remark with a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd.verbs.arguments import Args, Code, Text
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command


class NoteArgs(Args):
    """A remark kept with a run."""

    run: Code
    text: Text


class Note(Verb[NoteArgs]):
    """Kept as an event that names the run."""

    name = "note"
    does = "Keep a remark with a run."
    args = NoteArgs
    role = "answer"

    async def command(self, args: NoteArgs, order: Command) -> dict[str, Any]:
        await order.bench.store.run(args.run)
        data = {"run": args.run, "user": order.user}
        order.bench.events.tell("note", args.text, data=data, cause=order.ident)
        return {}
