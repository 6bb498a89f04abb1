"""The kind of link that DEVELOPERS.md shows, taken out of its text and held against the contract over a real socket."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from benchd.devices import Link, LinkError, LinkGarbled, LinkTimeout, line
from tests.drivers.test_example_driver import shown_class


@asynccontextmanager
async def example(folder: Path) -> AsyncIterator[Link]:
    """The link to a device that answers its question, slowly where it is asked to be slow."""

    serving: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        serving.add(task)
        try:
            while text := await reader.readline():
                if text == b"bye\n":
                    break
                await asyncio.sleep(0.3 if text == b"slow\n" else 0.0)
                writer.write(b"x" * 5000 if text == b"noise\n" else b"echo " + text)
        except ConnectionError:
            pass
        finally:
            writer.close()

    path = folder / "device"
    async with await asyncio.start_unix_server(serve, path):
        kind = shown_class("UnixLink")
        link: Link = kind.create("wire", kind.Config(path=str(path)))
        try:
            yield link
        finally:
            await link.close()
            await link.close()
            if serving:
                await asyncio.wait(serving, timeout=5)


async def test_asked_and_answered_in_turn(tmp_path: Path) -> None:
    async with example(tmp_path) as link:
        await link.open()
        await link.open()
        answers = await asyncio.gather(*(link.query(b"%d\n" % n, line(), 2.0) for n in range(20)))
        assert answers == [b"echo %d\n" % n for n in range(20)]
        assert [frame.direction for frame in link.recent[-2:]] == ["out", "in"]


async def test_a_late_answer_is_never_the_next_one(tmp_path: Path) -> None:
    async with example(tmp_path) as link:
        await link.open()
        with pytest.raises(LinkTimeout):
            await link.query(b"slow\n", line(), 0.1)
        assert not link.connected
        await link.open()
        assert await link.query(b"next\n", line(), 1.0) == b"echo next\n"


async def test_what_breaks_is_told_in_the_words_of_links(tmp_path: Path) -> None:
    async with example(tmp_path) as link:
        with pytest.raises(LinkError, match="not open"):
            link.urgent(b"!")
        for asked, error in ((b"noise\n", LinkGarbled), (b"bye\n", LinkError)):
            await link.open()
            heard = link.listen()
            with pytest.raises(error):
                await link.query(asked, line(b"\0"), 2.0)
            assert not link.connected
            with pytest.raises(StopAsyncIteration):
                await anext(heard)
    with pytest.raises(LinkError, match="cannot be opened"):
        await shown_class("UnixLink").create("wire", link_config(tmp_path / "none")).open()


def link_config(path: Path) -> object:
    return shown_class("UnixLink").Config(path=str(path))
