"""The Unix socket, mode 0600, over which an emergency stop is re-armed; its server in the daemon, and who asks there.

A line `rearm` in, a line of JSON out: `{"ok":true,"result":{..}}`, or `"ok":false` with the `error`, as over MQTT. No
other machine reaches it, and of this one no other user does: who re-arms stands at the bench, or is let in there.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pwd
import socket
import struct
from collections.abc import Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any, Self

from benchd.errors import BenchdError, Refused
from benchd.files.run_folder import run_folder

REARM = b"rearm\n"
MODE = 0o600
LONGEST_LINE = 64
ASKED_S = 5.0
"""Who connects and does not ask within this time is let go."""
ANSWERED_S = 10.0
LONGEST_PATH = 100
"""A socket address holds 108 bytes (unix(7))."""

Rearm = Callable[[str], Awaitable[dict[str, Any]]]
"""Re-arms for the user of that name; raises BenchdError."""


def socket_path(bench: str) -> Path:
    """Where the daemon of that bench listens."""
    return run_folder() / f"{bench}.rearm"


@contextlib.contextmanager
def _short(path: Path) -> Iterator[str]:
    """The same file under a name that a socket address can hold. Raises OSError."""
    if len(os.fsencode(path)) < LONGEST_PATH:
        yield str(path)
        return
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        yield f"/proc/self/fd/{folder}/{path.name}"
    finally:
        os.close(folder)


class RearmSocket:
    """`async with RearmSocket(bench, rearm):`; the socket is there inside the block. Raises OSError."""

    def __init__(self, bench: str, rearm: Rearm) -> None:
        self.path = socket_path(bench)
        self._rearm = rearm
        self._server: asyncio.Server | None = None
        self._serving: set[asyncio.Task[Any]] = set()

    async def __aenter__(self) -> Self:
        self.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.path.unlink(missing_ok=True)  # left behind by a daemon that was killed
        listening = socket.socket(socket.AF_UNIX)
        os.fchmod(listening.fileno(), MODE)  # before it has a name, so that it never stands open
        with _short(self.path) as name:
            listening.bind(name)
        self.path.chmod(MODE)
        self._server = await asyncio.start_unix_server(self._connected, sock=listening, limit=LONGEST_LINE)
        return self

    async def __aexit__(self, *_: object) -> None:
        self.path.unlink(missing_ok=True)
        if self._server is not None:
            self._server.close()
        for task in self._serving:
            task.cancel()
        if self._serving:
            await asyncio.wait(self._serving)

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._serving.add(task)
        try:
            async with asyncio.timeout(ASKED_S):
                line = await reader.readline()
            said = json.dumps(await self._answer(line, _who(writer)), ensure_ascii=False)
            writer.write(said.encode() + b"\n")
            async with asyncio.timeout(ASKED_S):
                await writer.drain()
        except (TimeoutError, ValueError, ConnectionError):  # said nothing, or a line without end, or is gone
            pass
        finally:
            self._serving.discard(task)
            writer.close()

    async def _answer(self, line: bytes, by: str) -> dict[str, Any]:
        try:
            if line != REARM:
                raise Refused("bad_request", "Nothing but `rearm` may be asked here.")
            return {"ok": True, "result": await self._rearm(by)}
        except BenchdError as error:
            return {"ok": False, "error": error.as_json()}


def _who(writer: asyncio.StreamWriter) -> str:
    """The login name of the process at the other end, by the kernel's word (SO_PEERCRED, unix(7))."""
    raw = writer.get_extra_info("socket").getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    _, uid, _ = struct.unpack("3i", raw)
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"uid {uid}"


def ask_to_rearm(bench: str) -> dict[str, Any]:
    """Ask the daemon of that bench to re-arm; gives its result. Raises Refused, and BenchdError where none answers."""
    path = socket_path(bench)
    try:
        with socket.socket(socket.AF_UNIX) as asking, _short(path) as name:
            asking.settimeout(ANSWERED_S)
            asking.connect(name)
            asking.sendall(REARM)
            with asking.makefile("rb") as lines:
                line = lines.readline()
        answer = json.loads(line)
    except FileNotFoundError:
        text = f"Bench {bench} has no emergency stop that could be re-armed, or is not up on this machine."
        raise Refused("not_found", text, advice="A device takes the role `emergency_stop` in the bench file.") from None
    except PermissionError:
        text = f"{path} is not yours: the daemon of bench {bench} runs as another user."
        raise Refused("not_allowed", text, advice="Re-arm as that user, on the bench's own machine.") from None
    except (OSError, ValueError) as error:
        text = f"The daemon of bench {bench} does not answer at {path} ({error})."
        raise BenchdError("timeout", text, advice="Look at `benchd status`, and ask again.") from error
    if answer["ok"]:
        result: dict[str, Any] = answer["result"]
        return result
    wrong = answer["error"]
    raise Refused(wrong["code"], wrong["text"], advice=wrong["advice"], data=wrong["data"])
