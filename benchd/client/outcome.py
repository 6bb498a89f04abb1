"""What a command comes to: a reply, an end event or a timeout as a result or an error; whether an event comes."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from types import TracebackType
from typing import Any

from benchd.errors import ERROR_CODES, BenchdError, Refused


class BrokenOff(BenchdError):
    """The job was stopped before its end. `data` holds the event."""

    @property
    def known_as(self) -> str:
        """The code of its event."""
        return "stopped"


class Limit:
    """`asyncio.timeout` that raises BenchdError (timeout) with a sentence; None is no limit."""

    def __init__(self, seconds: float | None, sentence: str) -> None:
        self._timeout = asyncio.timeout(seconds)
        self._sentence = f"{sentence} (after {seconds:g} s)." if seconds is not None else sentence

    async def __aenter__(self) -> None:
        await self._timeout.__aenter__()

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            await self._timeout.__aexit__(kind, error, trace)
        except TimeoutError:
            raise BenchdError("timeout", self._sentence[0].upper() + self._sentence[1:]) from None


def goes_on(verb: str, args: Mapping[str, Any]) -> bool:
    """Whether a command that was taken continues after its reply, and ends with an event."""
    from pydantic import ValidationError

    from benchd.verbs.table import VERBS

    known = VERBS.get(verb)
    try:
        return known is None or known.takes_time(known.args.model_validate(args))
    except ValidationError:  # a bench of another version took it
        return True


def result_of(reply: dict[str, Any]) -> dict[str, Any]:
    """The result in a reply; raises Refused, or BenchdError if the bench may have changed."""
    if reply.get("ok"):
        return dict(reply.get("result") or {})
    raise _error(Refused, reply.get("error") or {})


def failure_of(event: dict[str, Any]) -> BenchdError:
    """The error that an event reports."""
    if event.get("code") == "stopped":
        return BrokenOff("interlock", str(event.get("text")), data=event)
    return _error(BenchdError, event)


def _error(kind: type[BenchdError], said: dict[str, Any]) -> BenchdError:
    code = said.get("code")
    if code in ("device_fault", "timeout"):
        kind = BenchdError  # not a refusal: the bench may have changed
    return kind(
        code if code in ERROR_CODES else "device_fault",
        str(said.get("text")),
        advice=str(said.get("advice") or ""),
        data=said.get("data") or {},
    )
