"""A multipart answer without an end, on a connection of its own: each part as it comes, errors mapped in one place."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import AsyncGenerator, Awaitable, Callable
from typing import Protocol
from urllib.parse import urlsplit

from benchd.devices import DeviceError, LinkGarbled, LinkTimeout, now_s
from benchd_drivers.http_session import MostBytes
from benchd_drivers.link.foreign import mapped
from benchd_drivers.multipart import NotParts, Part, PartsReader, boundary_of

HEAD_BYTES = 1 << 16
PIECE = 1 << 18
CONNECT_S = 1.5
BUSY_ADVICE = "Check the address in the bench file, and that no more watch the camera than it serves."


class Reading(Protocol):
    """As much of `asyncio.StreamReader` as is used."""

    async def readuntil(self, separator: bytes) -> bytes: ...
    async def read(self, n: int) -> bytes: ...


class Writing(Protocol):
    """As much of `asyncio.StreamWriter` as is used."""

    def write(self, data: bytes) -> None: ...
    def close(self) -> None: ...


Dial = Callable[[str], Awaitable[tuple[Reading, Writing]]]
"""Opens a connection to the host of a URL; raises OSError."""


async def dialled(url: str) -> tuple[Reading, Writing]:
    """A connection over the network."""
    parts = urlsplit(url)
    secure = ssl.create_default_context() if parts.scheme == "https" else None
    port = parts.port or (443 if secure else 80)
    return await asyncio.open_connection(parts.hostname, port, ssl=secure, limit=HEAD_BYTES)


async def parts_of(
    dial: Dial, name: str, url: str, timeout_s: float, most: MostBytes
) -> AsyncGenerator[tuple[Part, float], None]:
    """Each part with the monotonic time (s) at which its last bytes were here. Closing it drops the connection.

    Raises LinkTimeout where no part comes in `timeout_s`, LinkError, LinkGarbled, DeviceError (refused by the camera).
    """
    parts = urlsplit(url)
    where = f"{parts.scheme}://{parts.netloc}{parts.path}"
    writer: Writing | None = None
    try:
        async with asyncio.timeout(min(timeout_s, CONNECT_S)):
            reader, writer = await dial(url)
        target = parts.path + (f"?{parts.query}" if parts.query else "")
        lines = [f"GET {target} HTTP/1.1", f"Host: {parts.netloc}", "Accept: multipart/x-mixed-replace"]
        writer.write(("\r\n".join(lines) + "\r\n\r\n").encode("latin-1"))
        async with asyncio.timeout(timeout_s):
            head = await reader.readuntil(b"\r\n\r\n")
        taking = PartsReader(_boundary(head, where, name), most)
        due_s = now_s() + timeout_s
        while True:
            async with asyncio.timeout(max(0.0, due_s - now_s())):
                piece = await reader.read(PIECE)
            if not piece:
                raise ConnectionResetError("it ended the stream")
            came = now_s()
            for part in taking.feed(piece):
                due_s = came + timeout_s
                yield part, came
    except TimeoutError:
        text = f"{where} brought no picture in {timeout_s:g} s."
        raise LinkTimeout(text, advice="Check that the camera is on and reachable.", device=name) from None
    except NotParts as odd:
        raise LinkGarbled(f"{where} {odd}.", advice="Check `stream_url` in the bench file.", device=name) from odd
    except asyncio.LimitOverrunError as long:
        raise LinkGarbled(f"{where} does not speak HTTP as it should.", device=name) from long
    except (OSError, EOFError) as error:
        raise mapped(error, f"{where} cannot be read", name) from error
    finally:
        if writer is not None:
            with contextlib.suppress(OSError):
                writer.close()


def _boundary(head: bytes, where: str, name: str) -> bytes:
    """Raises DeviceError for another status than 200, LinkGarbled for what is no multipart."""
    first, *lines = head.decode("latin-1").split("\r\n")
    fields = {key.strip().lower(): value.strip() for key, _, value in (line.partition(":") for line in lines)}
    words = first.split(" ")
    if len(words) < 2 or not words[0].startswith("HTTP/"):
        raise LinkGarbled(f"{where} does not speak HTTP as it should.", device=name)
    if words[1] != "200":
        raise DeviceError(f"{name}: {where} answered with status {words[1][:20]}.", advice=BUSY_ADVICE, device=name)
    boundary = boundary_of(fields.get("content-type", ""))
    if boundary is None or "transfer-encoding" in fields:
        said = fields.get("content-type", "nothing")
        raise LinkGarbled(
            f"{where} is no stream of pictures (it says {said[:60]}).",
            advice="`stream_url` names a multipart/x-mixed-replace stream, with a time in each part.",
            device=name,
        )
    return boundary
