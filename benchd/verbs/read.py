"""Read a device once; a step keeps the reading with its run, and checks that a gauge has followed a move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from benchd.devices.values import Quality
from benchd.files.names import Identifier
from benchd.verbs.arguments import Args, LiteralOnly, Name
from benchd.verbs.entry import Entry
from benchd.verbs.result import Result
from benchd.verbs.verb import Earlier, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import InRun, Order
    from benchd.verbs.view import BenchView

SavedAs = Annotated[Identifier, LiteralOnly()]


class OfDevice(Args):
    """Which device, by role or name."""

    device: Name


class ReadArgs(OfDevice):
    """Which device, by role or name; with `motor` the carriage's motor is asked for its own count, though a scale tells
    where the carriage is: where the two go apart, one of them is not set as it is built."""

    motor: bool = False


class ReadStepArgs(OfDevice):
    """Take one reading of a device and keep it with the run; `as` tells it from others of the device.

    A gauge that reads nothing, or out of its range, is asked to be seated again, three times before the run fails.
    `moved_from` names an earlier reading of the same gauge, standing where it stood: what it reads more or less since
    then must be what the carriage has moved. Where it is not, the carriage goes back, and both are read again.
    """

    as_: SavedAs = Field(default="value", alias="as")
    moved_from: SavedAs | None = None


class Reading(Result):
    """One reading, in `unit`."""

    value: float | None
    unit: str
    t: str
    """RFC 3339, UTC."""
    quality: Quality


class Read(Verb[OfDevice]):
    """Moves only to repeat an earlier reading, when a gauge does not follow the carriage."""

    name = "read"
    does = "Read a device once."
    args = ReadArgs
    step = ReadStepArgs
    result = Reading

    def named(self, args: OfDevice) -> Mapping[str, Sequence[str]]:
        return {"device": (args.device,)}

    def moves(self, args: OfDevice) -> bool:
        return isinstance(args, ReadStepArgs) and args.moved_from is not None

    def keeps(self, args: OfDevice) -> str | None:
        return args.as_ if isinstance(args, ReadStepArgs) else None

    def goes_by(self, args: OfDevice) -> Mapping[str, tuple[Earlier, str]]:
        before = args.moved_from if isinstance(args, ReadStepArgs) else None
        return {} if before is None else {"moved_from": ("reading", before)}

    def still(self, args: OfDevice, view: BenchView) -> Entry:
        if not isinstance(args, ReadStepArgs):
            return super().still(args, view)
        against = f", held against {args.moved_from}" if args.moved_from else ""
        return Entry("read", f"{args.device} as {args.as_}{against}", view.reading_s)

    async def carry_out(self, args: OfDevice, order: Order) -> dict[str, Any]:
        motor = isinstance(args, ReadArgs) and args.motor
        reading = await (order.bench.read_motor if motor else order.bench.read)(args.device)
        return {"value": reading.value, "unit": reading.unit, "t": reading.t_utc, "quality": reading.quality}

    async def in_run(self, args: OfDevice, order: InRun) -> None:
        from benchd.verbs.kept_reading import keep_reading

        assert isinstance(args, ReadStepArgs)
        await keep_reading(args.device, args.as_, args.moved_from, order)
