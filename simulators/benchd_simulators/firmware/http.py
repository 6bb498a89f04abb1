"""As much of HTTP/1.1 as a network camera speaks: GET, query strings, kept connections, answers without an end."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncGenerator, Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from urllib.parse import parse_qsl, urlsplit

MOST_HEAD = 8192
IDLE_S = 60.0
REASONS = {200: "OK", 400: "Bad Request", 404: "Not Found", 405: "Method Not Allowed", 503: "Service Unavailable"}


@dataclass(frozen=True, slots=True)
class Answer:
    body: bytes
    kind: str = "text/plain; charset=utf-8"
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    cut: bool = False  # a fault: hang up in the middle of the body
    endless: AsyncGenerator[bytes, None] | None = None  # sent piece by piece after the body, until the client hangs up


class BadRequest(Exception):
    """One sentence for the client."""


Handler = Callable[[str, dict[str, str]], Awaitable[Answer]]


async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, handle: Handler) -> None:
    """Serve one connection until the client, a fault or an idle minute ends it."""
    try:
        while True:
            async with asyncio.timeout(IDLE_S):
                head = await reader.readuntil(b"\r\n\r\n")
            keep, answer = await _answer(head, handle)
            keep = keep and not answer.cut and answer.endless is None
            writer.write(_head(answer, keep))
            writer.write(answer.body[: len(answer.body) // 2] if answer.cut else answer.body)
            await writer.drain()
            if answer.endless is not None:
                await _pour(answer.endless, reader, writer)
            if not keep:
                return
    except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, ConnectionError, TimeoutError):
        return
    finally:
        writer.close()


async def _pour(
    pieces: AsyncGenerator[bytes, None], reader: asyncio.StreamReader, writer: asyncio.StreamWriter
) -> None:
    """Write piece after piece until the client hangs up, or says anything."""

    async def write() -> None:
        async with contextlib.aclosing(pieces):
            async for piece in pieces:
                writer.write(piece)
                await writer.drain()

    writing, over = asyncio.create_task(write(), name="stream"), asyncio.create_task(reader.read(1), name="hangs up")
    try:
        await asyncio.wait({writing, over}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in (writing, over):
            task.cancel()
        await asyncio.wait({writing, over})
        for task in (writing, over):
            task.cancelled() or task.exception()


async def _answer(head: bytes, handle: Handler) -> tuple[bool, Answer]:
    """(keep the connection, answer)."""
    lines = head.decode("latin-1").split("\r\n")
    try:
        method, target, version = lines[0].split(" ")
    except ValueError:
        return False, Answer(b"Not a request line.\n", status=400)
    fields = {name.strip().lower(): value.strip() for name, _, value in (line.partition(":") for line in lines[1:])}
    keep = version == "HTTP/1.1" and fields.get("connection", "").lower() != "close"
    if fields.get("content-length", "0") != "0" or "transfer-encoding" in fields:
        return False, Answer(b"No body is taken.\n", status=400)
    if method != "GET":
        return keep, Answer(b"Only GET.\n", status=405, headers={"Allow": "GET"})
    parts = urlsplit(target)
    try:
        return keep, await handle(parts.path, dict(parse_qsl(parts.query, keep_blank_values=True)))
    except BadRequest as problem:
        return keep, Answer(f"{problem}\n".encode(), status=400)


def _head(answer: Answer, keep: bool) -> bytes:
    lines = [
        f"HTTP/1.1 {answer.status} {REASONS.get(answer.status, 'Error')}",
        f"Content-Type: {answer.kind}",
        *([f"Content-Length: {len(answer.body)}"] if answer.endless is None else []),
        "Cache-Control: no-store",
        f"Connection: {'keep-alive' if keep else 'close'}",
        *(f"{name}: {value}" for name, value in answer.headers.items()),
    ]
    return ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1")
