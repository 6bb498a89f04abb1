"""The job slot: the one job under way, its cause, and its cancellation."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from benchd.errors import BenchdError, Refused


class Stopped(Exception):
    """The operation was stopped by a user; the carriage is where the stop left it, and its position is trusted.

    `by` is the user, if known; `how` the word for it in texts.
    """

    how = "stopped"

    def __init__(self, by: str | None = None) -> None:
        super().__init__(by)
        self.by = by


class Occupied(NamedTuple):
    """How a job describes itself in a refusal `busy`: what it is, the advice, and the data."""

    what: str
    advice: str
    data: Mapping[str, Any]


@dataclass(slots=True)
class Job:
    """A job under way: its kind (a verb), the id of the command that caused it, its task, data for its end event."""

    kind: str
    cause: str | None
    task: asyncio.Task[Any]
    occupied: Callable[[], Occupied] | None = None
    about: dict[str, Any] = field(default_factory=dict)
    reason: BaseException | None = None
    ending: bool = False


Ended = Callable[[str, str | None, Any, BaseException | None], None]
"""Called when a job ends: kind, cause, result (after a failure the job's `about`), and the error (None when done)."""


async def _nothing() -> None: ...


class Jobs:
    """The slot for one job; a second one is refused with `busy`, naming the first.

    `first` is awaited inside each job before its work; what it raises ends the job.
    """

    def __init__(self, ended: Ended, first: Callable[[], Awaitable[None]] = _nothing) -> None:
        self._ended = ended
        self._first = first
        self._job: Job | None = None
        self._closed = False
        self._kept_free_for: list[str] = []

    @property
    def kind(self) -> str | None:
        """The kind of the job under way, or None at rest."""
        return self._job.kind if self._job else None

    @property
    def closed(self) -> bool:
        """No job begins any more."""
        return self._closed

    def check_free(self) -> None:
        """Raise Refused('busy') while a job is under way, and once closed."""
        if self._closed:
            raise Refused("busy", "The bench is being shut down.", advice="Start it again with `benchd up`.")
        if self._kept_free_for:
            text = f"The bench is busy with {self._kept_free_for[-1]}."
            raise Refused("busy", text, advice="It takes no time: ask again.", data={"doing": None})
        if self._job is not None:
            kind = self._job.kind
            describe = self._job.occupied or (lambda: Occupied(f"'{kind}'", "Wait until it has ended, or stop it.", {}))
            what, advice, data = describe()
            raise Refused("busy", f"The bench is busy with {what}.", advice=advice, data={"doing": kind, **data})

    @contextmanager
    def none_begins(self, what: str) -> Iterator[None]:
        """No job begins inside the block, for what must not change as one does; one under way goes on.

        Two blocks may overlap, such as a record that is changed while a calibration comes into force.
        """
        self._kept_free_for.append(what)
        try:
            yield
        finally:
            self._kept_free_for.remove(what)

    def start(
        self,
        kind: str,
        work: Callable[[], Awaitable[Any]],
        cause: str | None = None,
        occupied: Callable[[], Occupied] | None = None,
    ) -> Job:
        """Begin `work` in the background; gives the job. Raises Refused('busy').

        `occupied` describes the job in a refusal, for one that neither waiting nor a stop would end.
        """
        self.check_free()
        task = asyncio.create_task(self._run(kind, work, cause), name=f"job {kind}")
        self._job = job = Job(kind, cause, task, occupied)
        return job

    async def _run(self, kind: str, work: Callable[[], Awaitable[Any]], cause: str | None) -> None:
        result: Any = None
        about = self._job.about if self._job else {}
        error: BaseException | None = None
        try:
            await self._first()
            result = await work()
        except asyncio.CancelledError as cancelled:
            error = (self._job.reason if self._job else None) or cancelled
            if error is cancelled:
                raise
        except Stopped as stopped:
            # A cancellation stops the carriage first, so its reason counts, not the stop.
            error = (self._job.reason if self._job else None) or stopped
        except BenchdError as known:
            error = known
        except Exception as unknown:  # noqa: BLE001  whatever a driver raises ends the job, never the daemon
            error = unknown
        finally:
            self._job = None
        self._ended(kind, cause, result if error is None else about or None, error)

    def set_reason(self, reason: BaseException) -> Job | None:
        """Set the reason of the job under way, which is about to be stopped and cancelled; gives the job.

        The job's own error takes precedence; the first reason given stays.
        """
        if self._job is not None and self._job.reason is None:
            self._job.reason = reason
        return self._job

    def ending(self) -> None:
        """Called by the job itself when only its orderly end is left: from now on it is awaited, not cancelled."""
        if self._job is not None:
            self._job.ending = True

    async def cancel(self, reason: BaseException, *, job: Job | None = None, within_s: float | None = None) -> None:
        """Cancel the job under way, which then ends with `reason`; returns when it has ended, at once if there is none.

        With `job`, nothing happens if another job has begun since. An orderly end that takes longer than `within_s` is
        cancelled too.
        """
        under_way = self._job
        if under_way is None or under_way.task is asyncio.current_task() or job not in (None, under_way):
            return
        self.set_reason(reason)
        if not under_way.ending:
            under_way.task.cancel()
        _, late = await asyncio.wait([under_way.task], timeout=within_s)
        if late:
            under_way.task.cancel()
            await asyncio.wait(late, timeout=within_s)

    async def close(self, reason: BaseException) -> None:
        """Cancel the job under way; no job can begin from now on."""
        self._closed = True
        await self.cancel(reason)

    async def wait(self) -> None:
        """Return when the slot is free."""
        while self._job is not None:
            await asyncio.wait([self._job.task])
