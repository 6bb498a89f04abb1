"""Write into a record: a lens, adapter, glass or reference, new or changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field

from benchd.files.names import RecordId
from benchd.verbs.arguments import Args
from benchd.verbs.result import Result
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command


class RecordArgs(Args):
    """Which record, and the keys to set: whole values replace, null takes a key out; an id that is not there is new."""

    kind: Literal["lens", "adapter", "glass", "reference"]
    id: RecordId
    set: dict[str, Any] = Field(default_factory=dict)
    """Empty: the record is only told."""
    new: bool = False
    """There must be none of that id yet."""
    was: dict[str, Any] = Field(default_factory=dict)
    """Values that must still stand, else it is refused: whoever adds to a list goes by what it was."""


class Written(Result):
    """What became of it."""

    record: dict[str, Any]
    """What stands in it now."""
    file: str | None
    """Seen from the bench file; null where nothing was written."""
    changes: list[str]
    """Clauses; none where it was so already."""
    rev: int
    """Of the set-up, one higher where the record is of what stands on the bench: then the position is stale."""


class Record(Verb[RecordArgs]):
    """The file is written as a person would write it. Never under a run that uses it."""

    name = "record"
    does = "Tell or change the record of a lens, adapter, glass or reference."
    args = RecordArgs
    result = Written
    role = "keep"

    async def command(self, args: RecordArgs, order: Command) -> dict[str, Any]:
        records = order.bench.records
        told: dict[str, Any] = {"file": None, "changes": [], "rev": order.bench.setup.document.rev}
        if args.set:
            told = await records.write(args.kind, args.id, args.set, new=args.new, was=args.was, by=order.user)
        return {"record": records.values(args.kind, args.id), **told}
