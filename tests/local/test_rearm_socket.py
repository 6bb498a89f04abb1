"""The socket over which an emergency stop is re-armed: who reaches it, what may be asked there, what stays behind."""

from __future__ import annotations

import asyncio
import json
import os
import pwd
import stat
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest

from benchd.errors import BenchdError, Refused
from benchd.local.rearm_socket import REARM, RearmSocket, ask_to_rearm, socket_path

ME = pwd.getpwuid(os.getuid()).pw_name


class Asked:
    """What re-arms, and how often it was asked by whom."""

    def __init__(self) -> None:
        self.by: list[str] = []
        self.refused: Refused | None = None

    async def rearm(self, by: str) -> dict[str, Any]:
        self.by.append(by)
        if self.refused is not None:
            raise self.refused
        return {"rearmed": "button"}


@pytest.fixture(params=["short", "long"])
async def asked(
    request: pytest.FixtureRequest, no_leaks: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> AsyncIterator[Asked]:
    """With a path that a socket address holds, and one that it does not."""
    folder = tmp_path / ("x" * 120) if request.param == "long" else tmp_path
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(folder))
    asked = Asked()
    async with RearmSocket("north-rail", asked.rearm):
        yield asked
    assert not socket_path("north-rail").exists()


async def said(line: bytes) -> Any:
    """What is answered to a line; None where nothing is."""
    folder = os.open(socket_path("north-rail").parent, os.O_PATH | os.O_DIRECTORY)
    try:
        reader, writer = await asyncio.open_unix_connection(f"/proc/self/fd/{folder}/north-rail.rearm")
    finally:
        os.close(folder)
    writer.write(line)
    if not line.endswith(b"\n"):
        writer.write_eof()
    answer = await reader.read()
    writer.close()
    await writer.wait_closed()
    return json.loads(answer) if answer else None


async def test_its_owner_alone_re_arms_by_name(asked: Asked) -> None:
    path = socket_path("north-rail")
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert await asyncio.to_thread(ask_to_rearm, "north-rail") == {"rearmed": "button"}
    assert asked.by == [ME]


async def test_a_refusal_comes_with_its_reason(asked: Asked) -> None:
    asked.refused = Refused("interlock", "It is still pressed.", advice="Release it.", data={"device": "button"})
    with pytest.raises(Refused) as refused:
        await asyncio.to_thread(ask_to_rearm, "north-rail")
    assert refused.value.as_json() == asked.refused.as_json()


@pytest.mark.parametrize("line", [b"rearm please\n", b"\n", b"", b"rearm", b"x" * 10_000 + b"\n", b"\xff\x00\n"])
async def test_nothing_else_is_carried_out(asked: Asked, line: bytes) -> None:
    answer = await said(line)
    assert answer is None or answer["error"]["code"] == "bad_request"
    assert asked.by == []
    assert (await said(REARM))["ok"]


async def test_who_says_nothing_holds_nobody_up(asked: Asked) -> None:
    folder = os.open(socket_path("north-rail").parent, os.O_PATH | os.O_DIRECTORY)
    _, silent = await asyncio.open_unix_connection(f"/proc/self/fd/{folder}/north-rail.rearm")
    os.close(folder)
    assert (await said(REARM))["ok"]
    silent.close()
    await silent.wait_closed()


async def test_what_a_killed_daemon_left_behind_is_taken_over(asked: Asked) -> None:
    async with RearmSocket("north-rail", Asked().rearm):
        assert (await said(REARM))["ok"]
    assert asked.by == []


def test_nobody_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    with pytest.raises(Refused, match="has no emergency stop that could be re-armed") as refused:
        ask_to_rearm("north-rail")
    assert refused.value.code == "not_found"
    socket_path("north-rail").parent.mkdir()
    socket_path("north-rail").touch()
    with pytest.raises(BenchdError, match="does not answer") as silent:
        ask_to_rearm("north-rail")
    assert silent.value.code == "timeout"
