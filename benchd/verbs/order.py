"""What a verb is carried out with: the bench, who asks, and, of a step, the run that it belongs to."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from benchd.bench.bench import Bench
    from benchd.bench.gate import Gate
    from benchd.bench.run_record import RunRecord
    from benchd.bench.sweep.sweep_data import SweepOrder
    from benchd.devices.values import AskKind


class Runs(Protocol):
    """What there is to be asked of runs: begin one, steer it, answer its question. Each raises Refused."""

    async def start(self, name: str, given: Mapping[str, Any], user: str, cause: str | None) -> str: ...
    async def dry(self, name: str, given: Mapping[str, Any]) -> dict[str, Any]: ...
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
    """Whoever is at the bench, asked through the run under way."""

    async def ask(
        self, name: str | None, kind: AskKind, text: str, choices: Sequence[str] = (), unit: str | None = None
    ) -> Any: ...


@dataclass(frozen=True, slots=True)
class Order:
    """Somebody asks something of a bench. `since` is the count of stops when it was asked: a stop after that counts."""

    bench: Bench
    user: str
    since: int


@dataclass(frozen=True, slots=True)
class Command(Order):
    """From outside; `ident` is the cause of the events that follow."""

    ident: str
    runs: Runs
    lease: Lease


@dataclass(frozen=True, slots=True)
class InRun(Order):
    """A step of a run. `told` hears the share of it that is done, `prompt` puts a question as it is put here."""

    run: RunRecord
    gate: Gate
    asks: Asks
    told: Callable[[float], None]
    prompt: Callable[[str], str]
