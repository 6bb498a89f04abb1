"""Commands are answered once, and end once; questions are answered by what was said after they were put."""

from __future__ import annotations

from collections import Counter
from typing import Any

from tests.virtual.witness import Watched

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


class AnswerAfterQuestion(Watched):
    """A run goes on from a question to its next step only after an answer to that question."""

    def __init__(self) -> None:
        self._ask: str | None = None
        self._step = 0
        self._given: set[str] = set()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        args = request.get("args")
        if verb == "answer" and isinstance(args, dict) and args.get("ask") == self._ask is not None:
            self._given.add(str(self._ask))

    def daemon(self, up: bool) -> None:
        self._ask = None

    def told(self, topic: str, document: Any) -> None:
        if topic != "procedure" or not document:
            return
        ask = (document["ask"] or {}).get("ask")
        went_on = document["state"] == "running" and document["step"] > self._step
        if self._ask is not None and went_on and self._ask not in self._given:
            self.fail(f"the run went on from question {self._ask}, which nobody had answered")
        if ask is not None or document["state"] not in ("running", "asking", "paused") or went_on:
            self._ask, self._step = ask, document["step"]
