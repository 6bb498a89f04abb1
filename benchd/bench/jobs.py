"""One thing at a time: what the bench is doing now, who caused it, and how it is broken off."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any

from benchd.errors import BenchdError, Refused


class Stopped(Exception):
    """What was under way was stopped by somebody; the position stands where the stop left it, and is trusted."""


@dataclass(slots=True)
class Job:
    """A job under way: its kind (a verb), the id of the command that caused it, and its task."""

    kind: str
    cause: str | None
    task: asyncio.Task[Any]
    reason: BaseException | None = None


Ended = Callable[[str, str | None, Any, BaseException | None], None]
"""Told when a job ends: kind, cause, result, and the error (None when it is done)."""


class Jobs:
    """The slot for the one job; a second one is refused with `busy`, naming the first."""

    def __init__(self, ended: Ended) -> None:
        self._ended = ended
        self._job: Job | None = None

    @property
    def kind(self) -> str | None:
        """The kind of the job under way, or None at rest."""
        return self._job.kind if self._job else None

    def check_free(self) -> None:
        """Raise Refused('busy') while something is under way."""
        if self._job is not None:
            raise Refused(
                "busy",
                f"The bench is busy with '{self._job.kind}'.",
                advice="Wait until it has ended, or stop it.",
                data={"doing": self._job.kind},
            )

    def start(self, kind: str, work: Callable[[], Awaitable[Any]], cause: str | None = None) -> None:
        """Begin `work` in the background. Raises Refused('busy')."""
        self.check_free()
        task = asyncio.create_task(self._run(kind, work, cause), name=f"job {kind}")
        self._job = Job(kind, cause, task)

    async def _run(self, kind: str, work: Callable[[], Awaitable[Any]], cause: str | None) -> None:
        result: Any = None
        error: BaseException | None = None
        try:
            result = await work()
        except asyncio.CancelledError as cancelled:
            error = (self._job.reason if self._job else None) or cancelled
            if error is cancelled:
                raise
        except (BenchdError, Stopped) as known:
            error = known
        except Exception as unknown:  # noqa: BLE001  whatever a driver raises ends the job, never the daemon
            error = unknown
        finally:
            self._job = None
        self._ended(kind, cause, result, error)

    async def break_off(self, reason: BaseException) -> None:
        """Cancel the job under way, which then ends with `reason`; returns when it has ended. Nothing to do at rest."""
        job = self._job
        if job is None or job.task is asyncio.current_task():
            return
        job.reason = reason
        job.task.cancel()
        await asyncio.wait([job.task])

    async def wait(self) -> None:
        """Return when the slot is free."""
        while self._job is not None:
            await asyncio.wait([self._job.task])
