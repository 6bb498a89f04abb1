"""A link that missed an answer hears the next ones: doubt ends within a question or two, and costs its time."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Sequence

import pytest

from benchd.devices import LinkTimeout, line, matching
from benchd.testing.peer import PtyPeer, line_peer
from benchd_drivers.gcode_board import GcodeBoard
from benchd_drivers.link.port import SerialLink

LIMIT_S = 1.5  # a tenth of it is what a busy machine may add


def behaving(answers: Sequence[float | None]) -> Callable[[bytes], bytes | None]:
    """A device that takes so long for its answers in turn (s; None: the answer is lost), then 3 to 10 ms for each."""
    count = 0

    def reply(text: bytes) -> bytes | None:
        nonlocal count
        count += 1
        takes_s = answers[count - 1] if count <= len(answers) else 0.003 + 0.007 * (count % 5) / 4
        if takes_s is None:
            return None
        time.sleep(takes_s)
        return b"%d\n" % count

    return reply


async def told(link: SerialLink, questions: int, limit_s: float) -> list[int | None]:
    """What each of so many questions was answered with; None where it had no answer."""
    said: list[int | None] = []
    for _ in range(questions):
        try:
            said.append(int(await link.query(b"?\n", line(), limit_s)))
        except LinkTimeout:
            said.append(None)
    return said


@pytest.mark.parametrize("slow", [0.5, 0.7, 0.8, 0.9])
async def test_one_slow_answer_and_a_lost_one_do_not_make_a_link_deaf(slow: float) -> None:
    """A user saw every later answer rejected, for minutes, although the device answered in 3 to 10 ms."""
    with line_peer(behaving([0.01, slow * LIMIT_S, None])) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            assert await told(link, 3, LIMIT_S) == [1, 2, None]
            assert await told(link, 8, LIMIT_S) == list(range(4, 12))
        finally:
            await link.close()


@pytest.mark.parametrize(
    ("limit_s", "share", "before"), [(0.3, 0.7, 1), (0.3, 0.8, 1), (0.8, 0.7, 0), (1.0, 0.8, 1), (1.0, 0.9, 0)]
)
async def test_a_device_that_is_slow_each_time_is_heard_again(limit_s: float, share: float, before: int) -> None:
    """After one lost answer a user's gauge, late in its time but always in time, was never heard again."""
    slow = share * limit_s
    with line_peer(behaving([*[slow] * before, None, *[slow] * 40])) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            await told(link, before + 1, limit_s)
            said = await told(link, 12, limit_s)
            assert [one for one in said if one is not None], said
        finally:
            await link.close()


async def test_a_device_that_is_slow_each_time_is_never_heard_with_an_answer_of_before() -> None:
    """Each question has its number; one answer comes beyond its time. Whatever is told is the question's own."""
    asked = 0

    def echo(text: bytes) -> bytes:
        nonlocal asked
        asked += 1
        time.sleep(1.3 if asked == 3 else 0.6)
        return text.strip() + b"\n"

    with line_peer(echo) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        heard = []
        try:
            for number in range(14):
                with contextlib.suppress(LinkTimeout):
                    heard.append((number, int(await link.query(b"%d\n" % number, line(), 0.8))))
        finally:
            await link.close()
        assert all(number == answer for number, answer in heard), heard
        assert len(heard) > 2, heard


async def test_a_slow_answer_to_a_patient_question_does_not_make_a_short_one_deaf() -> None:
    """A minute's answer says nothing about one that may take a second at most."""
    with line_peer(behaving([2.0 * LIMIT_S, None])) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            assert await told(link, 1, 20.0) == [1]
            assert await told(link, 1, LIMIT_S) == [None]
            assert await told(link, 8, LIMIT_S) == list(range(3, 11))
        finally:
            await link.close()


async def test_a_limit_shorter_than_the_quiet_is_enough_for_it() -> None:
    with line_peer(behaving([None])) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            assert await told(link, 1, 0.08) == [None]
            assert [one for one in await told(link, 6, 0.08) if one is not None]
        finally:
            await link.close()


async def test_a_slow_device_still_cannot_pass_a_late_answer_for_the_next() -> None:
    """It takes 0.3 of 0.8 s each time; one answer comes after its limit, while the next question waits."""
    with line_peer(behaving([0.3, 0.3, 1.1, 0.3, 0.3])) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            for number in (1, 2, None, 4, 5):
                assert await told(link, 1, 0.8) in ([number], [None])
        finally:
            await link.close()


async def test_a_board_in_doubt_is_not_asked_without_a_pause() -> None:
    """A user saw 250 `?` a second: each rejected answer was a time-out at once, and the board was asked again."""
    asked: list[float] = []

    def status(peer: PtyPeer, data: bytes) -> None:
        for _ in range(data.count(b"?")):
            asked.append(time.monotonic())
            if len(asked) == 1:
                time.sleep(0.27)
            elif len(asked) == 2:
                continue
            peer.send(b"<Idle|MPos:0.000,0.000,0.000|FS:0,0>\r\n")

    with PtyPeer(status) as peer:
        link = SerialLink.create("wire", SerialLink.Config(port=peer.path))
        await link.open()
        try:
            assert await link.query(b"?", matching(rb"<[^<>\r\n]*>"), 2.0)
            board, states = GcodeBoard.of(link, "stage"), []
            for _ in range(3):
                with contextlib.suppress(LinkTimeout):  # of a machine that was held up itself
                    states.append((await board.report()).state)
            assert set(states) == {"Idle"}
            assert len(asked) <= 12
        finally:
            await link.close()
