"""What a verb is."""

from __future__ import annotations

from abc import ABC
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Literal, TypeVar

from benchd.errors import Refused
from benchd.files.mqtt_section import UserRole
from benchd.verbs.arguments import Args, Nothing
from benchd.verbs.entry import Entry, WouldBeRefused, said
from benchd.verbs.foreseen import Open, all_of, joined
from benchd.verbs.result import Taken

if TYPE_CHECKING:
    from benchd.arrangements.setup_document import SetupDocument
    from benchd.bench.datum.current_setup import CurrentSetup
    from benchd.bench.requests import Use
    from benchd.verbs.order import Command, InRun, Order
    from benchd.verbs.predicted_bench import PredictedBench
    from benchd.verbs.view import BenchView

A = TypeVar("A", bound=Args)

Earlier = Literal["finding", "reading"]
"""What a step may go by that an earlier one has brought."""

CARRIAGE, DETECTOR = "carriage", "detector"


@dataclass(frozen=True, slots=True)
class Need:
    """When something is needed: in a word, as published, and of which arguments."""

    said: str
    of: Callable[[Any], bool]


NEVER = Need("never", lambda _: False)
ALWAYS = Need("always", lambda _: True)


class Verb(ABC, Generic[A]):
    """One thing that may be asked of a bench. `does` is a sentence, `result` a model of what is answered.

    Who asks from outside needs the `role`, and `control` and a fresh `beat` by the arguments: a beat if it can move.
    Of what only `begins` something the answer says no more than that; `caution` is what a person is warned of, beside
    what moves. What is `of_runs_holder` needs control as well while a run is under way, which it could spoil. What is
    `at_once` waits for no other command of its user, a light perhaps that changes only after a long move.

    `use` is what is done with the devices that it names. What `measures` through the glass has that asked about before;
    what `makes_safe` is carried out at the end of a run whatever has become of it; `on_the_way` says where a carriage
    that goes lower than it will stand goes then.

    `step` is what a step of a procedure takes, None where there is no such step; `offered` is false of what is a step
    and nothing else. Of what is foreseen `in_part` something is known without the arguments that an answer will say.
    """

    name: ClassVar[str]
    does: ClassVar[str]
    args: ClassVar[type[Args]] = Nothing
    result: ClassVar[Any] = Taken
    step: ClassVar[type[Args] | None] = None
    offered: ClassVar[bool] = True
    role: ClassVar[UserRole] = "drive"
    control: ClassVar[Need] = NEVER
    beat: ClassVar[Need] = NEVER
    begins: ClassVar[bool] = False
    at_once: ClassVar[bool] = False
    of_runs_holder: ClassVar[bool] = False
    use: ClassVar[Use] = "read"
    in_part: ClassVar[bool] = False
    caution: ClassVar[str] = ""
    on_the_way: ClassVar[str] = ""
    measures: ClassVar[bool] = False
    makes_safe: ClassVar[bool] = False
    place_counts: ClassVar[Need] = NEVER
    """Whether where the carriage stands decides what is refused."""

    # What it would do

    def named(self, args: A) -> Mapping[str, Sequence[str]]:
        """The devices that the arguments name, by their keys."""
        return {}

    def uses(self, args: A) -> Sequence[str]:
        """The roles and devices that it needs of the bench."""
        return [name for names in self.named(args).values() for name in names]

    def moves(self, args: A) -> bool:
        """Whether it may move anything."""
        return False

    def takes_time(self, args: A) -> bool:
        """Whether it goes on after it was answered, and ends with an event."""
        return self.moves(args)

    def foresee(self, args: A, predicted: PredictedBench, opened: Open | None = None) -> Entry:
        """What it would do to a bench as it stands `ahead`, which moves on; pure, nothing is refused by raising.

        `opened` are arguments that answers to come will say, and on what each depends.
        """
        opened = opened or {}
        predicted.drives = False
        try:
            for key, names in self.named(args).items():
                for name in names if key not in opened else ():
                    predicted.view.device_for(self.use, name)
            self.check(args, predicted.view, opened)
        except Refused as refused:
            return Entry(self.name, said(args.given()), problem=WouldBeRefused.of(refused))
        return self.effect(args, predicted, opened)

    def check(self, args: A, view: BenchView, opened: Open) -> None:
        """Raise Refused for what this bench cannot do at all, wherever it stands."""

    def lowest_um(self, entry: Entry, view: BenchView) -> float | None:
        """The lowest place that it brings the carriage to, by whatever way; None where nobody knows."""
        return None if entry.reach_um is None else entry.reach_um[0]

    def set_up(self, args: A, keeper: CurrentSetup) -> SetupDocument:
        """The set-up as it makes it."""
        return keeper.document

    def effect(self, args: A, predicted: PredictedBench, opened: Open) -> Entry:
        """What it does, where nothing was refused for good; by itself a line that moves nothing."""
        if opened:
            return Entry(self.name, f"depends on {joined(all_of(opened))}")
        return self.still(args, predicted.view)

    def still(self, args: A, view: BenchView) -> Entry:
        """The line of what moves nothing."""
        return Entry(self.name, said(args.given()))

    # What other steps of a procedure go by

    def makes(self, args: A) -> str | None:
        """The name under which it makes a finding."""
        return None

    def keeps(self, args: A) -> str | None:
        """The name under which it keeps a reading."""
        return None

    def goes_by(self, args: A) -> Mapping[str, tuple[Earlier, str]]:
        """By key, what must have been made or kept before it: a finding or a reading, of that name."""
        return {}

    # Doing it

    async def command(self, args: A, order: Command) -> dict[str, Any]:
        """Refuse it before anything begins, or do it; what takes time is begun. Gives what is answered.

        Raises Refused, and BenchdError where it fails at once.
        """
        if self.takes_time(args):
            order.bench.jobs.check_free()
        entry = await self.now(args, order)
        if not self.takes_time(args):
            return await self.carry_out(args, order)
        settled = self.settled(args, entry)
        order.bench.jobs.start(self.name, lambda: self._to_its_end(settled, order), order.ident)
        return self.begun(entry)

    async def now(self, args: A, order: Order) -> Entry:
        """What it would do to the bench as it stands now. Raises Refused."""
        from benchd.verbs.predicted_bench import PredictedBench
        from benchd.verbs.view_of_bench import view_of

        # An unhomed carriage's place decides nothing, and a device that is away need not be asked.
        with_place = order.bench.trust.homed and self.place_counts.of(args)
        view = await view_of(order.bench, with_place=with_place, with_motion=self.moves(args))
        entry = self.foresee(args, PredictedBench(replace(view, asks_of_rear=False)))
        entry.require_possible()
        return entry

    async def _to_its_end(self, args: A, order: Order) -> dict[str, Any] | None:
        return await self.carry_out(args, order) or None

    def begun(self, entry: Entry) -> dict[str, Any]:
        """What is answered of what goes on."""
        return {}

    def settled(self, args: A, entry: Entry) -> A:
        """The arguments as they count from now on, whatever interrupts it: a step by so many um has its end."""
        return args

    async def in_run(self, args: A, order: InRun) -> None:
        """Do it as a step of a run. Raises whatever ends the run."""
        await self.carry_out(args, order)

    async def carry_out(self, args: A, order: Order) -> dict[str, Any]:
        """Do it, to its end. Raises Refused, BenchdError, Stopped."""
        raise NotImplementedError(self.name)
