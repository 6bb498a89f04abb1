"""Events: each is published at once and written into the record."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import structlog

from benchd.bench.notices import Notices
from benchd.devices import Clock, DeviceError, FrameLog
from benchd.errors import BenchdError
from benchd.records.store import Store

Severity = Literal["info", "warning", "error"]

_log = structlog.get_logger("benchd.events")

FRAMES_IN_EVENT = 8
FRAME_CHARACTERS = 80


def printable_frames(frames: Sequence[FrameLog]) -> list[str]:
    """The last frames on a link as printable lines, newest last: direction, seconds before the last frame, bytes."""
    last = frames[-FRAMES_IN_EVENT:]
    return [f"{frame.direction:3} {frame.t_mono - last[-1].t_mono:+.3f} s {_printable(frame.data)}" for frame in last]


def _printable(data: bytes) -> str:
    text = repr(data[:FRAME_CHARACTERS])[2:-1]
    return text if len(data) <= FRAME_CHARACTERS and len(text) <= FRAME_CHARACTERS else f"{text[:FRAME_CHARACTERS]} ..."


class Events:
    """Publishes events and writes them into `store`; publishing does not depend on the write. None: no record."""

    def __init__(self, notices: Notices, store: Store | None, clock: Clock) -> None:
        self._notices = notices
        self._store = store
        self._clock = clock
        self._writing: set[asyncio.Task[None]] = set()
        self._closed = False

    def tell(
        self,
        code: str,
        text: str,
        *,
        severity: Severity = "info",
        advice: str = "",
        data: Mapping[str, Any] | None = None,
        cause: str | None = None,
    ) -> None:
        """Publish an event and hand it to the record."""
        doc = {
            "t": self._clock.utc(),
            "code": code,
            "severity": severity,
            "text": text,
            "advice": advice,
            "data": dict(data or {}),
            "cause": cause,
        }
        self._notices.tell("event", doc)
        if self._closed or self._store is None:
            return
        task = asyncio.create_task(self._keep(self._store, doc), name="event to the record")
        self._writing.add(task)
        task.add_done_callback(self._writing.discard)

    def error(self, error: BenchdError, *, cause: str | None = None, data: Mapping[str, Any] | None = None) -> None:
        """Publish an error as an event, with `data` added to its own; a device's error has its link's last frames."""
        data = {**error.data, **(data or {})}
        if isinstance(error, DeviceError) and error.frames:
            data["frames"] = printable_frames(error.frames)
        self.tell(error.code, error.text, severity="error", advice=error.advice, data=data, cause=cause)

    async def _keep(self, store: Store, doc: Mapping[str, Any]) -> None:
        try:
            await store.add_event(
                doc["code"],
                doc["severity"],
                doc["text"],
                advice=doc["advice"],
                cause=doc["cause"],
                data=doc["data"],
            )
        except BenchdError as error:
            _log.warning("event not kept", code=doc["code"], why=error.text)

    async def close(self) -> None:
        """Wait until all events are written. Later ones are published, but not written into the record."""
        self._closed = True
        if self._writing:
            await asyncio.wait(self._writing, timeout=1.0)
