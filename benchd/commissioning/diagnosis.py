"""One thing that was looked at: what, how it is, in a sentence, and what to do about it. And how it is looked at."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable
from dataclasses import asdict, dataclass
from typing import Any, Literal, TypeVar

from benchd.errors import BenchdError

T = TypeVar("T")

State = Literal["ok", "note", "wrong", "skipped"]
"""`note` works and should be known, `skipped` was not looked at."""


@dataclass(frozen=True, slots=True)
class Found:
    """`what` names the thing, as short as the bench file does."""

    what: str
    state: State
    text: str
    advice: str = ""

    def as_json(self) -> dict[str, Any]:
        """The same for a JSON document."""
        return asdict(self)


def wrong(what: str, error: BenchdError) -> Found:
    """What an error says, in its own words."""
    return Found(what, "wrong", error.text, error.advice)


async def probe(what: str, within_s: float, work: Callable[[], Awaitable[list[Found]]]) -> list[Found]:
    """What `work` finds; one line where it fails or takes too long, whatever it does. Raises nothing."""
    try:
        async with asyncio.timeout(within_s):
            return await work()
    except TimeoutError:
        return [
            Found(
                what, "wrong", f"It did not answer within {within_s:g} s.", "See that it is switched on, and try again."
            )
        ]
    except BenchdError as error:
        return [wrong(what, error)]
    except Exception as error:  # noqa: BLE001 one probe that fails must not cost the others
        text = f"It could not be looked at: {type(error).__name__}: {error}."
        return [Found(what, "wrong", text, "This is a fault inside benchd or in a package; the others were looked at.")]


async def in_thread(work: Callable[[], T]) -> T:
    """A blocking call in a thread that nobody waits for at the end: one that hangs costs its own probe alone."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[T] = loop.create_future()

    def settle(put: Callable[[Any], None], value: Any) -> None:
        if not done.done():
            put(value)

    def run() -> None:
        try:
            value = work()
        except BaseException as error:  # noqa: BLE001 handed over to the one who waits
            _tell(loop, settle, done.set_exception, error)
        else:
            _tell(loop, settle, done.set_result, value)

    threading.Thread(target=run, daemon=True, name="probe").start()
    return await done


def _tell(loop: asyncio.AbstractEventLoop, settle: Callable[..., None], put: Callable[[Any], None], value: Any) -> None:
    try:
        loop.call_soon_threadsafe(settle, put, value)
    except RuntimeError:  # the loop has ended without waiting for this
        return
