"""Commands are answered once, and end once; questions are answered by what was said after they were put."""

from __future__ import annotations

from collections import Counter
from typing import Any

from tests.virtual.witness import Watched

REPLIED_S = 0.1
IDS_KEPT_S = 59.0
"""Of 60 s: what repeats what is older is a command of its own, which can move nothing."""


class AnsweredOnce(Watched):
    """No command but a stop is accepted twice, and none ends twice."""

    def __init__(self) -> None:
        self._stops: set[Any] = set()
        self._accepted: dict[str, float] = {}
        self._done: Counter[str] = Counter()

    def daemon(self, up: bool) -> None:
        self._accepted.clear()
        self._done.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb == "stop":
            self._stops.add(str(request.get("id")))

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/") and document and document["id"] is not None:
            ident = document["id"]
            if document["ok"] and ident not in self._stops:
                before_s = self._accepted.get(ident, -IDS_KEPT_S)
                self._accepted[ident] = self.clock()
                if self.clock() - before_s < IDS_KEPT_S:
                    self.fail(f"command {ident} was accepted at {before_s:.3f} s as well")
        elif topic == "event" and document["cause"] and document["code"] == "done":
            ident = document["cause"]
            self._done[ident] += 1
            if self._done[ident] > 1:
                self.fail(f"command {ident} has ended {self._done[ident]} times")


class NeverRetained(Watched):
    """What only stands at the broker, retained, is never accepted: somebody said it some time ago."""

    def __init__(self) -> None:
        self._fresh: set[tuple[str, str]] = set()
        self._left: set[tuple[str, str]] = set()

    def daemon(self, up: bool) -> None:
        self._fresh.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if isinstance(request.get("id"), str):
            self._fresh.add((user, request["id"]))  # who is connected hears it as it is said
            if retained:
                self._left.add((user, request["id"]))

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/") and document:
            key = (topic.removeprefix("reply/"), document["id"])
            if document["ok"] and key in self._left and key not in self._fresh:
                self.fail(f"command {key[1]} of {key[0]} was accepted, and nobody has said it since the start")


class AnswerAfterQuestion(Watched):
    """A run goes on from a question to its next step only after an answer that names it was accepted.

    The answer's own reply may come a moment after what follows from it.
    """

    def __init__(self) -> None:
        self._ask: str | None = None
        self._step = 0
        self._answers: dict[str, str] = {}
        """By the command's id: which question it answers, of those that stood as it was sent."""
        self._given: set[str] = set()
        self._doubtful: tuple[float, str] | None = None

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        args = request.get("args")
        if verb == "answer" and isinstance(args, dict) and args.get("ask") == self._ask is not None:
            self._answers[str(request.get("id"))] = str(self._ask)

    def daemon(self, up: bool) -> None:
        self._ask = self._doubtful = None

    def told(self, topic: str, document: Any) -> None:
        if topic == "online":
            self._ask = self._doubtful = None  # what was told meanwhile is lost
        elif topic.startswith("reply/") and document["ok"] and document["id"] in self._answers:
            self._given.add(self._answers[document["id"]])
        if topic != "procedure" or not document:
            return
        ask = (document["ask"] or {}).get("ask")
        went_on = document["state"] == "running" and document["step"] > self._step
        if self._ask is not None and went_on and self._ask not in self._given:
            self._doubtful = self.now(), self._ask
        if ask is not None or document["state"] not in ("running", "asking", "paused") or went_on:
            self._ask, self._step = ask, document["step"]

    def passed(self) -> None:
        if self._doubtful is not None and self.now() - self._doubtful[0] > REPLIED_S:
            at_s, ask = self._doubtful
            self._doubtful = None
            if ask not in self._given:
                self.fail(f"the run went on at {at_s:.3f} s from question {ask}, to which no answer had been accepted")
