"""Write into a record: a lens, adapter, glass or reference, new or changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from pydantic import Field

from benchd.files.names import RecordId
from benchd.verbs.arguments import Args
from benchd.verbs.result import Result
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.entry import Entry
    from benchd.verbs.foreseen import OpenArgs
    from benchd.verbs.order import Command, InRun
    from benchd.verbs.predicted_bench import PredictedBench


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


class RecordStepArgs(Args):
    """Which record, and the keys to set: whole values replace, null takes a key out."""

    kind: Literal["lens", "adapter", "glass", "reference"]
    id: RecordId
    set: dict[str, Any] = Field(min_length=1)


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


class Record(Verb[RecordArgs | RecordStepArgs]):
    """The file is written as a person would write it. Never under a run that uses it, but between its own steps."""

    name = "record"
    does = "Tell or change a record: lens, adapter, glass, reference."
    args = RecordArgs
    step = RecordStepArgs
    result = Written
    role = "keep"

    def effect(self, args: RecordArgs | RecordStepArgs, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        """What stands on the bench is counted with anew, and then has to be driven to."""
        values = predicted.set_up.values
        standing = [values.get("lens"), *(values.get("adapters") or ()), *(values.get("glass") or ())]
        if "id" in open_args or args.id in standing:
            predicted.count_setup_change()
            predicted.state.mark_known(stale=True)
        return super().effect(args, predicted, open_args)

    async def in_run(self, args: RecordArgs | RecordStepArgs, order: InRun) -> None:
        values = {key: _as_written(value) for key, value in args.set.items()}
        await order.bench.records.write(args.kind, args.id, values, by=order.user, own=True)

    async def command(self, args: RecordArgs | RecordStepArgs, order: Command) -> dict[str, Any]:
        assert isinstance(args, RecordArgs)
        records = order.bench.records
        told: dict[str, Any] = {"file": None, "changes": [], "rev": order.bench.setup.document.rev}
        if args.set:
            told = await records.write(args.kind, args.id, args.set, new=args.new, was=args.was, by=order.user)
        return {"record": records.values(args.kind, args.id), **told}


def _as_written(value: Any) -> Any:
    """Listed lengths as a person writes them: `[50, 10]`, which as inputs of a procedure are 50.0 and 10.0."""
    if not isinstance(value, list):
        return value
    return [int(one) if isinstance(one, float) and one.is_integer() else one for one in value]
