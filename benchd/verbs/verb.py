"""The base class of verbs."""

from __future__ import annotations

from abc import ABC
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar, Generic, Literal, TypeVar

from benchd.errors import Refused
from benchd.files.mqtt_section import UserRole
from benchd.verbs.arguments import Args, Nothing
from benchd.verbs.entry import Entry, WouldBeRefused, plain_text
from benchd.verbs.foreseen import OpenArgs, all_dependencies, joined_by_and
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
"""What a step may refer to from an earlier step."""

CARRIAGE, DETECTOR = "carriage", "detector"
ROTARY = ("focus_ring", "iris_ring", "zoom_ring", "turn")
"""The roles of what turns."""


@dataclass(frozen=True, slots=True)
class Need:
    """When something is needed: in words, as published, and as a test of the arguments."""

    in_words: str
    applies: Callable[[Any], bool]


NEVER = Need("never", lambda _: False)
ALWAYS = Need("always", lambda _: True)


class Verb(ABC, Generic[A]):
    """One thing that may be asked of a bench. `does` is a sentence, `result` the model of the answer.

    A client's user needs the `role`, and, depending on the arguments, `control` and a fresh `beat`: a beat if the verb
    can move anything. If it only `begins` something, the answer says no more than that it has begun; `caution` is a
    warning to the person, beside that of motion. `of_runs_holder`: needs control as well while a run is under way, as
    it could spoil that. `at_once`: waits for no other command of the same user (others are carried out in order).

    `use` is what is done with the devices that the arguments name. `measures`: it measures through the glass, so a run
    asks about unusual glass first; `makes_safe`: it is carried out at the end of a run however that ended;
    `on_the_way`: words for where the carriage goes when it passes below its end position.

    `step` is the model of a procedure step's arguments, None if the verb is no step; `offered` is false for a verb that
    is only a step. `in_part`: something can be predicted even while arguments are open.
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
    beat_within_s: ClassVar[float | None] = None
    """How old that beat may be, where less than for others."""
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
    """When the carriage position decides about a refusal."""

    # Prediction

    def named(self, args: A) -> Mapping[str, Sequence[str]]:
        """The devices that the arguments name, by their keys."""
        return {}

    def uses(self, args: A) -> Sequence[str]:
        """The roles and devices that it needs."""
        return [name for names in self.named(args).values() for name in names]

    def moves(self, args: A) -> bool:
        """Whether it may move anything."""
        return False

    def moves_carriage(self, args: A) -> bool:
        """Whether what it may move is the carriage."""
        return self.moves(args)

    def takes_time(self, args: A) -> bool:
        """Whether it continues after the answer, and ends with an event."""
        return self.moves(args)

    def foresee(self, args: A, predicted: PredictedBench, open_args: OpenArgs | None = None) -> Entry:
        """What it would do to the `predicted` bench, which is updated; pure. A refusal is the entry's `problem`.

        `open_args` are the arguments whose values are still open, and what each depends on.
        """
        open_args = open_args or {}
        predicted.drives = False
        try:
            for key, names in self.named(args).items():
                for name in names if key not in open_args else ():
                    predicted.view.device_for(self.use, name)
            self.check(args, predicted.view, open_args)
        except Refused as refused:
            return Entry(self.name, plain_text(args.given()), problem=WouldBeRefused.certain(refused))
        return self.effect(args, predicted, open_args)

    def check(self, args: A, view: BenchView, open_args: OpenArgs) -> None:
        """Raise Refused for what this bench cannot do at all, whatever its state."""

    def lowest_um(self, entry: Entry, view: BenchView) -> float | None:
        """The lowest position that the carriage passes; None if not known."""
        return None if entry.reach_um is None else entry.reach_um[0]

    def set_up(self, args: A, keeper: CurrentSetup) -> SetupDocument:
        """The set-up that it makes; by default the present one."""
        return keeper.document

    def effect(self, args: A, predicted: PredictedBench, open_args: OpenArgs) -> Entry:
        """Update `predicted` and give the entry, once `check` has passed; by default the entry of `still`."""
        if open_args:
            return Entry(self.name, f"depends on {joined_by_and(all_dependencies(open_args))}")
        return self.still(args, predicted.view)

    def still(self, args: A, view: BenchView) -> Entry:
        """The entry of a verb that moves nothing."""
        return Entry(self.name, plain_text(args.given()))

    # What other steps of a procedure refer to

    def makes(self, args: A) -> str | None:
        """The name of the finding that it makes, if any."""
        return None

    def keeps(self, args: A) -> str | None:
        """The name of the reading that it keeps, if any."""
        return None

    def goes_by(self, args: A) -> Mapping[str, tuple[Earlier, str]]:
        """By argument, the finding or reading, with its name, that an earlier step must have made."""
        return {}

    # Execution

    async def command(self, args: A, order: Command) -> dict[str, Any]:
        """Refuse it before anything begins, or do it; what takes time is begun as a job. Gives the answer.

        Raises Refused, and BenchdError if it fails at once.
        """
        if self.takes_time(args):
            order.bench.jobs.check_free()
        entry = await self.now(args, order)
        if not self.takes_time(args):
            return await self.carry_out(args, order)
        settled = self.settled(args, entry)
        order.bench.jobs.start(self.name, lambda: self._carry_out_in_background(settled, order), order.ident)
        return self.begun(entry)

    async def now(self, args: A, order: Order) -> Entry:
        """What it would do to the bench in its present state. Raises Refused."""
        from benchd.verbs.predicted_bench import PredictedBench
        from benchd.verbs.view_of_bench import view_bench

        if self.moves(args):
            order.bench.interlock.require()
        if self.moves(args) or self.place_counts.applies(args):  # what it goes by stands in the records
            await order.bench.records.catch_up()
        # An unhomed carriage's position decides nothing, and a device that is offline need not be asked.
        with_place = order.bench.trust.homed and self.place_counts.applies(args)
        view = await view_bench(order.bench, with_place=with_place, with_motion=self.moves(args))
        entry = self.foresee(args, PredictedBench(replace(view, asks_of_rear=False)))
        entry.require_possible()
        return entry

    async def _carry_out_in_background(self, args: A, order: Order) -> dict[str, Any] | None:
        return await self.carry_out(args, order) or None

    def begun(self, entry: Entry) -> dict[str, Any]:
        """The answer while the job continues."""
        return {}

    def settled(self, args: A, entry: Entry) -> A:
        """The arguments with relative ones made absolute, so that an interrupted move can be repeated safely."""
        return args

    async def in_run(self, args: A, order: InRun) -> None:
        """Do it as a step of a run. What it raises ends the run."""
        await self.carry_out(args, order)

    async def carry_out(self, args: A, order: Order) -> dict[str, Any]:
        """Do it and return at its end. Raises Refused, BenchdError, Stopped."""
        raise NotImplementedError(self.name)
