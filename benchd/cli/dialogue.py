"""Questions at a terminal, one after another: Enter takes what stands in brackets, `back` goes back, `quit` leaves."""

from __future__ import annotations

import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from benchd.cli.prose import wrapped
from benchd.cli.speak import remark
from benchd.commissioning.new_bench import Given, unasked
from benchd.commissioning.question import Question
from benchd.files.wording import ended
from benchd.shown import shown

BACK, QUIT, HELP = "back", "quit", "?"
LEGEND = f"Enter takes what stands in [brackets]; `{BACK}` goes back, `{QUIT}` leaves and writes nothing."


class Left(Exception):
    """The person left; nothing is written."""


class Dialogue:
    """Asks in order what `stated` does not answer; `hints` gives the lines that stand before a question.

    What was typed is kept, and is what Enter takes when the question comes again.
    """

    def __init__(
        self, questions: Sequence[Question], stated: Mapping[str, Any], hints: Callable[[str], Sequence[str]]
    ) -> None:
        self._questions = questions
        self._stated = dict(stated)
        self._hints = hints
        self._typed: dict[str, str] = {}
        self._guessed: set[str] = set()
        self._part = ""

    def ask(self, again: Collection[str] | None = None) -> Given:
        """All answers; with `again` only these are asked, the others stay. Raises Left, Refused."""
        given, asked, index = Given(), list[int](), 0
        while index < len(self._questions):
            question = self._questions[index]
            applies, silent = question.applies(given.answers), again is not None and question.key not in again
            if question.key in self._stated and (again is None or silent):
                if not applies:
                    raise unasked(question.key)
                given.answers[question.key] = self._stated[question.key]
            elif applies and silent and question.key in self._typed:
                given.answers[question.key] = question.read(self._typed[question.key])
            elif applies:
                if not self._put(question, given):
                    index = asked.pop() if asked else index
                    for later in self._questions[index:]:
                        given.answers.pop(later.key, None)
                    continue
                asked.append(index)
            index += 1
        given.guessed = sorted(self._guessed & given.answers.keys())
        return given

    def _put(self, question: Question, given: Given) -> bool:
        """Put one question until it is answered; False to go back. Raises Left."""
        if question.part != self._part:
            self._part = question.part
            remark(f"\n{question.part}")
        for line in self._hints(question.key):
            remark(f"  {line}")
        default = self._typed.get(question.key, question.default_after(given.answers))
        while True:
            typed = line_typed(f"{question.text}{'' if default is None else f' [{default}]'}:")
            if typed in (BACK, QUIT, HELP):
                if typed == QUIT:
                    raise Left
                if typed == BACK:
                    return False
                remark(f"  {LEGEND} By itself: benchd new {question.key}=..")
            elif not typed and default is None:
                remark("  This one has to be answered: nobody can guess it.")
            else:
                text = typed or str(default)
                try:
                    given.answers[question.key] = question.read(text)
                except ValueError as wrong:
                    remark(f"  '{text}' will not do: {ended(str(wrong))}")
                    continue
                if typed:
                    self._guessed.discard(question.key)
                elif question.key not in self._typed:
                    self._guessed.add(question.key)
                self._typed[question.key] = text
                return True


def line_typed(prompt: str) -> str:
    """One line from the terminal, without blanks at its ends. Raises Left at its end (Ctrl-D)."""
    print(wrapped(shown(prompt), sys.stderr), end=" ", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not line:
        remark("")
        raise Left
    return line.strip()
