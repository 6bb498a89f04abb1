"""The technician's hand on a Unix socket: one JSON object a line in, one back. The daemon never opens it."""

from __future__ import annotations

import asyncio
import json
import os
import socket
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

SOCKET = "hand.sock"
MOST_LINE = 65536
LONGEST_PATH = 100  # sun_path holds 108 bytes

Act = Callable[[dict[str, Any]], Awaitable[dict[str, Any]]]


@contextmanager
def _short(path: Path) -> Iterator[str]:
    """The same file under a name that a Unix socket address can hold."""
    if len(os.fsencode(path)) < LONGEST_PATH:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


async def listen(folder: Path, act: Act) -> asyncio.Server:
    """Serve `act` on `folder`/hand.sock, for the owner alone. A socket left behind by a dead process is replaced."""
    path = folder / SOCKET
    path.unlink(missing_ok=True)
    sock = socket.socket(socket.AF_UNIX)
    with _short(path) as name:
        sock.bind(name)
    path.chmod(0o600)

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while line := await reader.readline():
                writer.write(json.dumps(await _answer(line, act), allow_nan=False).encode() + b"\n")
                await writer.drain()
        except (ValueError, ConnectionError):  # a line beyond MOST_LINE, or nobody there any more
            pass
        finally:
            writer.close()

    return await asyncio.start_unix_server(connected, sock=sock, limit=MOST_LINE)


async def _answer(line: bytes, act: Act) -> dict[str, Any]:
    try:
        command = json.loads(line)
    except (ValueError, RecursionError):
        return {"ok": False, "error": "That is not JSON."}
    if not isinstance(command, dict):
        return {"ok": False, "error": "A command is a JSON object."}
    return await act(command)


def tell(folder: Path, command: dict[str, Any], timeout_s: float = 30.0) -> dict[str, Any]:
    """Send one command to the simulator of `folder` and wait for its answer. Raises OSError where none runs there."""
    with socket.socket(socket.AF_UNIX) as sock, _short(folder / SOCKET) as name:
        sock.settimeout(timeout_s)
        sock.connect(name)
        sock.sendall(json.dumps(command).encode() + b"\n")
        with sock.makefile("rb") as lines:
            line = lines.readline()
    if not line:
        raise ConnectionError("The simulator hung up.")
    answer: dict[str, Any] = json.loads(line)
    return answer
