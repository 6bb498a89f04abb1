"""The conversation with one SCPI instrument: identity, commands with a look at the error queue behind each, questions.

Devices that share an instrument share this, so that one never reads the other's errors.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from pydantic import BaseModel, ConfigDict, Field, field_validator

from benchd.devices import (
    DeviceError,
    DeviceMismatch,
    Identity,
    Link,
    LinkError,
    LinkGarbled,
    LinkTimeout,
    Matcher,
    line,
    nothing,
)
from benchd_drivers.byte_link import byte_link
from benchd_drivers.scpi_words import NoNumber, error_of

TRIES = 3
MOST_ERRORS = 40
"""An error queue that is not empty after so many is none."""
_OUT_OF_STEP = range(-499, -399)
_LIMITS = (-222, -220)
_KINDS: tuple[tuple[range, str, str], ...] = (
    (range(-199, -99), "does not understand", "Compare the keys with the instrument's manual, and its model."),
    (range(-299, -199), "will not carry out", "Look at the instrument's display: a limit, or local control?"),
    (range(-399, -299), "has a fault of its own at", "Look at the instrument's display; switch it off and on."),
    (_OUT_OF_STEP, "was out of step at", "Ask again; close other programs that talk to it."),
)


class ScpiConfig(BaseModel):
    """What every SCPI instrument has: `identity`, a pattern for its answer to *IDN?, and how long it may think."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    identity: str = Field(min_length=1)
    timeout_s: float = Field(default=0.5, gt=0, le=5)

    @field_validator("identity")
    @classmethod
    def _compiles(cls, value: str) -> str:
        try:
            re.compile(value)
        except re.error as error:
            raise ValueError(f"not a regular expression: {error}") from None
        return value


class Scpi:
    """One instrument behind a link. Inside `turn()` no other device's words come between."""

    def __init__(self, link: Link) -> None:
        self.link = link
        self._lock = asyncio.Lock()

    @classmethod
    def of(cls, link: Link | None, name: str) -> Scpi:
        """The conversation of that link. Raises ValueError without one that carries it."""
        return byte_link(link, name).shared(cls, cls)

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """The instrument for this caller alone."""
        async with self._lock:
            yield

    async def identify(self, name: str, config: ScpiConfig) -> Identity:
        """Who answers. Raises DeviceMismatch where it is another one; then nothing but *IDN? was said to it."""
        said = ""
        for _ in range(TRIES):  # noise is no other instrument
            said = await self.ask(name, "*IDN?", config.timeout_s)
            if re.search(config.identity, said):
                break
        else:
            raise DeviceMismatch(
                f"{name}: the instrument on link {self.link.name} says '{said[:100]}', not '{config.identity}'.",
                advice="Check which cable or address is whose; correct `identity` if it is the right one.",
                device=name,
                frames=self.link.recent,
            )
        maker, model, serial, firmware = [*(part.strip() for part in said.split(",", 3)), "", "", ""][:4]
        return Identity(f"{maker} {model}".strip(), firmware, serial)

    async def write(self, name: str, command: str, timeout_s: float) -> None:
        """Send a command, and look at nothing."""
        await self.link.query(command.encode("ascii") + b"\n", nothing, timeout_s)

    async def do(self, name: str, command: str, timeout_s: float) -> None:
        """Send a command once, and read the error queue behind it. Raises DeviceError with the instrument's words."""
        await self.write(name, command, timeout_s)
        await self.check(name, command, timeout_s)

    async def check(self, name: str, command: str, timeout_s: float) -> None:
        """Empty the error queue; the first error is the cause of the others. Raises DeviceError."""
        first: tuple[int, str] | None = None
        for _ in range(MOST_ERRORS):
            number, words = await self._next_error(name, timeout_s)
            if number == 0:
                break
            first = first or (number, words)
        if first is not None:
            raise _told(name, command, *first, self.link)

    async def _next_error(self, name: str, timeout_s: float) -> tuple[int, str]:
        said = ""
        for _ in range(TRIES):
            said = _text(await self.link.query(b"SYST:ERR?\n", line(), timeout_s))
            try:
                return error_of(said)
            except NoNumber:
                continue
        raise self.garbled(name, "SYST:ERR?", said)

    async def ask(self, name: str, query: str, timeout_s: float, answered_s: float | None = None) -> str:
        """One line back, within `answered_s` where a question takes longer than others."""
        raw = await self.ask_raw(name, query, line(), timeout_s, answered_s or timeout_s)
        return _text(raw)

    async def ask_raw(self, name: str, query: str, until: Matcher, timeout_s: float, answered_s: float) -> bytes:
        """As `ask`, for what is no line. An instrument that says nothing is asked why: a query that it does not know is
        not answered; where it knows of no error its answer was lost, and it is asked again."""
        for left in reversed(range(TRIES)):
            try:
                return await self.link.query(query.encode("ascii") + b"\n", until, answered_s)
            except LinkTimeout:
                if not await self._knows_no_error(name, query, timeout_s) or not left:
                    raise
        raise AssertionError("unreachable")

    async def _knows_no_error(self, name: str, query: str, timeout_s: float) -> bool:
        try:
            await self.check(name, query, timeout_s)
        except LinkError:
            return False  # that it is silent is all that can be told
        return True

    def garbled(self, name: str, query: str, said: str) -> LinkGarbled:
        """For an answer that is none."""
        return LinkGarbled(
            f"{name} answers '{query}' with '{said[:60]}'.",
            advice="Check cable and baud rate, and that nothing else talks to the instrument.",
            device=name,
            frames=self.link.recent,
        )


def _text(raw: bytes) -> str:
    return raw.decode("ascii", "replace").strip("\r\n\0 ")


def _told(name: str, command: str, number: int, words: str, link: Link) -> DeviceError:
    kind, advice = next(
        ((kind, advice) for numbers, kind, advice in _KINDS if number in numbers),
        ("has refused", "Its manual lists its own errors."),
    )
    text = f"{name}: the instrument {kind} '{command}': {number}, {words or 'no words'}."
    if number in _OUT_OF_STEP:
        return LinkGarbled(text, advice=advice, device=name, frames=link.recent)
    if number in _LIMITS:
        return DeviceError(text, advice=advice, device=name, frames=link.recent, code="limit")
    return DeviceError(text, advice=advice, device=name, frames=link.recent)
