"""The context in which a verb is carried out: the bench, the user, and for a step the run it belongs to."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from benchd.bench.bench import Bench
    from benchd.bench.gate import Gate
    from benchd.bench.run_record import RunRecord
    from benchd.bench.sweep.sweep_data import SweepOrder
    from benchd.devices.values import AskKind


class Runs(Protocol):
    """Control of runs: start one, pause, resume or abort it, answer its question. Each raises Refused."""

    async def start(self, name: str, given: Mapping[str, Any], user: str, cause: str | None) -> str: ...
    async def dry_run(self, name: str, given: Mapping[str, Any], user: str | None = None) -> dict[str, Any]: ...
    async def sweep(self, order: SweepOrder, user: str, cause: str | None, stops: int) -> str: ...
    def pause(self, run: str, user: str) -> None: ...
    def resume(self, run: str, user: str) -> None: ...
    async def abort(self, run: str, user: str) -> None: ...
    def answer(self, ask: str, value: Any, user: str) -> Any: ...


class Lease(Protocol):
    """Control of the bench. Each raises Refused."""

    @property
    def holder(self) -> str | None: ...
    def take(self, user: str, *, force: bool = False) -> None: ...
    def release(self, user: str, *, to: str | None = None, force: bool = False) -> None: ...


class Asks(Protocol):
    """Questions to the person at the bench, put through the run under way."""

    async def ask(
        self, name: str | None, kind: AskKind, text: str, choices: Sequence[str] = (), unit: str | None = None
    ) -> Any: ...


@dataclass(frozen=True, slots=True)
class Order:
    """A request by a user. `since` is the number of stops when it was made: a later stop ends it."""

    bench: Bench
    user: str
    since: int


@dataclass(frozen=True, slots=True)
class Command(Order):
    """A request from a client; `ident` is the `cause` of the events that follow."""

    ident: str
    runs: Runs
    lease: Lease


@dataclass(slots=True)
class LookedAgain:
    """How often a step's measurement was taken again, and the level (0 to 1) that its light has to get back for it."""

    times: int = 0
    dimmed_from: float = 0.0


@dataclass(frozen=True, slots=True)
class InRun(Order):
    """A step of a run.

    `report_progress` is called with the share of the step that is done (0 to 1); `prompt` gives the text of a question
    with the loop round in front. `looked` is the step's own, and stays when a stop has it repeated.
    """

    run: RunRecord
    gate: Gate
    asks: Asks
    report_progress: Callable[[float], None]
    prompt: Callable[[str], str]
    looked: LookedAgain = field(default_factory=LookedAgain)
