"""The questions of a run, put to the person at the terminal; without one they wait for an answer from anywhere."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Mapping
from typing import Any

from benchd.cli.guard import UsageError, in_words
from benchd.cli.keyboard import Keyboard
from benchd.cli.speak import is_person, remark
from benchd.cli.values import value
from benchd.client import BenchClient
from benchd.errors import BenchdError

Doc = Mapping[str, Any]

_YES, _NO = ("y", "yes", "true"), ("n", "no", "false")
ABORT = "abort"
READ_S = 0.3
"""Nobody can have read a question sooner; a line typed within this time is discarded."""


class Aborting(Exception):
    """The person wants the run to end."""


def offered(ask: Doc) -> str:
    """What may be typed at a question."""
    forms = {
        "confirm": "Enter when it is so",
        "yes_no": "y or n",
        "number": f"a number{_in(ask)}",
        "mark": "Enter when it is sharp",
        "text": "text",
    }
    if ask["kind"] == "choice":
        listed = ", ".join(f"{index} = {choice}" for index, choice in enumerate(ask["choices"], 1))
        return f"{listed}; or {ABORT}"
    form = forms[ask["kind"]]
    return form if ask["kind"] == "text" else f"{form}; or {ABORT}"


def _in(ask: Doc) -> str:
    return f" in {ask['unit']}" if ask.get("unit") else ""


def parsed(ask: Doc, typed: str) -> Any:
    """The typed text as an answer. Raises UsageError saying what is allowed, Aborting for the word `abort`."""
    kind, text = ask["kind"], typed.strip()
    if kind == "text":
        return text
    if text.lower() == ABORT:
        raise Aborting
    if kind in ("confirm", "mark"):
        if text.lower() in ("", *_YES, "sharp"):
            return True if kind == "confirm" else "sharp"
        raise UsageError(f"press Enter, or type {ABORT}")
    if kind == "yes_no":
        if text.lower() in (*_YES, *_NO):
            return text.lower() in _YES
        raise UsageError("type y or n")
    if kind == "choice":
        choices = list(ask["choices"])
        if text.isdecimal() and 1 <= int(text) <= len(choices):
            return choices[int(text) - 1]
        if text in choices:
            return text
        raise UsageError(f"type a number from 1 to {len(choices)}, or the words")
    number = value(text, unit=ask.get("unit") if ask.get("unit") in ("um", "mm", "m") else None, key="answer")
    if isinstance(number, bool) or not isinstance(number, int | float):
        raise UsageError(f"type a number{_in(ask)}")
    return number


def by_message(bench: BenchClient, ask: Doc) -> str:
    """How a question is answered from elsewhere."""
    example = {"number": "1.5", "text": "..", "mark": "sharp"}.get(ask["kind"], "true")
    if ask["kind"] == "choice":
        example = f"'{ask['choices'][0]}'"
    return f"benchd do answer --bench {bench.bench} ask={ask['ask']} value={example}"


class Prompter:
    """Puts each question of a run once, and takes it back when it is answered elsewhere."""

    def __init__(self, bench: BenchClient, run: str) -> None:
        self._bench = bench
        self._run = run
        self._open: str | None = None
        self._task: asyncio.Task[None] | None = None
        self._keyboard: Keyboard | None = None

    def hear(self, ask: Doc | None) -> None:
        """The question that waits now, or None."""
        name = None if ask is None else str(ask["ask"])
        if name == self._open:
            return
        self._take_back()
        self._open = name
        if ask is None:
            return
        remark(f"\n? {ask['text']}")
        if is_person():
            self._keyboard = self._keyboard or Keyboard()
            if self._keyboard.drop():
                remark("  What was typed before this question is not taken for its answer.")
            self._task = asyncio.create_task(self._put(ask, self._keyboard), name="prompt")
        else:
            remark(
                f"  Nobody is at this terminal; it waits for an answer from anywhere: {by_message(self._bench, ask)}"
            )

    async def _put(self, ask: Doc, keyboard: Keyboard) -> None:
        while True:
            keyboard.drop()
            print(f"  [{offered(ask)}] ", end="", file=sys.stderr, flush=True)
            if not await keyboard.quiet_for(READ_S):
                remark("  That came sooner than it can have been read; once more.")
                continue
            typed = await keyboard.line()
            if typed is None:
                remark(f"\n  No more input here; it waits for an answer: {by_message(self._bench, ask)}")
                return
            try:
                await self._send(ask, typed)
            except UsageError as error:
                remark(f"  {str(error)[0].upper()}{str(error)[1:]}.")
            except BenchdError as error:
                remark(f"  {in_words(error)}")
                if error.code != "bad_request":
                    return
            else:
                return

    async def _send(self, ask: Doc, typed: str) -> None:
        try:
            answer = parsed(ask, typed)
        except Aborting:
            await self._bench.command("abort", beat=False, run=self._run)
        else:
            await self._bench.answer(str(ask["ask"]), answer)

    def _take_back(self) -> None:
        if self._task is not None and not self._task.done() and self._task.cancel():
            remark("")
        self._task = None

    async def close(self) -> None:
        """Ask nothing more."""
        task = self._task
        self._take_back()
        if task is not None:
            await asyncio.wait([task])
