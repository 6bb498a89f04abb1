"""Between what is changed by hand and the person's answer nothing begins to move, and no light comes on."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import begins, line_sound
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

ASKED_FIRST = ("next_lens", "flange_check", "check_lens", "glass_toggle", "joint_study", "shim_proof")
"""Procedures that begin with a question to hands, while they may be in the bench already."""
HANDS = ("seated", "seat_anew", "reseated", "shimmed", "look_again", "glass_in", "glass_out", "iris_open")
OVER = ("idle", "done", "failed", "aborted")


class HandsIn(Watched):
    """From the acceptance of such a run, and from each question to hands, until an answer to it is accepted.

    What a person asks for by a resume or a light of his own is his. `lit` asks the lamp: one that shone as the run
    began was somebody's; before a question in its midst the run darkens it.
    """

    def __init__(self, lit: Callable[[], bool]) -> None:
        self._lit = lit
        self._asked: dict[str, str] = {}
        """By the command's id: which of these procedures it begins."""
        self._over: set[str] = set()
        self._run: str | None = None
        self._ask: str | None = None
        self._in = False
        """Whether hands may be in the bench."""
        self._anybodys = self._resumed = False
        self._answers: dict[str, str] = {}
        self._doubtful: list[tuple[str, str]] = []
        """What came after an answer that was not replied to yet: the answer's id, and what came."""
        self._line_sound = True

    def daemon(self, up: bool) -> None:
        self._run = self._ask = None
        self._in = False
        self._asked.clear()
        self._answers.clear()
        self._doubtful.clear()

    def done(self, step: Step) -> None:
        self._line_sound = line_sound(self._line_sound, step)

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        ident, args = request.get("id"), request.get("args")
        if not isinstance(ident, str) or not isinstance(args, dict):
            return
        if verb == "run" and args.get("procedure") in ASKED_FIRST and args.get("dry") is not True:
            self._asked[ident] = args["procedure"]
        elif verb == "answer" and args.get("ask") == self._ask is not None:
            self._answers[ident] = str(self._ask)
        elif verb == "light":
            self._anybodys = True
        elif verb == "resume":
            self._resumed = True

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/"):
            self._replied(document)
        elif topic == "procedure" and document:
            self._stands(document)

    def _replied(self, document: Any) -> None:
        ident = document["id"]
        if document["ok"] and ident in self._asked and document["result"].get("run") not in self._over:
            self._begin(document["result"]["run"])
        answered = self._answers.pop(ident, None)
        if answered is None:
            return
        for one, what in [one for one in self._doubtful if one[0] == ident]:
            self._doubtful.remove((one, what))
            if not document["ok"]:
                self.fail(f"{what}; the answer {ident} was refused")
        if document["ok"] and answered == self._ask:
            self._in = False

    def _begin(self, run: str) -> None:
        if run != self._run:
            self._run, self._ask, self._in = run, None, True
            self._anybodys, self._resumed = self._lit(), False

    def _stands(self, document: Any) -> None:
        if document["state"] in OVER:
            self._over.add(str(document["run"]))
            if document["run"] == self._run:
                self._run, self._ask, self._in = None, None, False
            return
        if document["procedure"] not in ASKED_FIRST:
            return
        self._begin(document["run"])
        ask = document["ask"] or {}
        if ask and ask["ask"] != self._ask:
            if ask["name"] in HANDS and self._ask is not None:
                self._anybodys = self._resumed = False
            self._ask, self._in = ask["ask"], ask["name"] in HANDS

    def sent(self, port: str, data: bytes) -> None:
        if port == "board" and begins(data) and self._in and not self._resumed:
            self._seen(f"{data!r} was sent in {self._run}")

    def passed(self) -> None:
        if self._in and self._line_sound and not self._anybodys and self._lit():
            self._anybodys = True
            self._seen(f"the light came on in {self._run}")

    def _seen(self, what: str) -> None:
        told = f"at {self.now():.3f} s {what}, before {self._ask or 'its first question'} was answered"
        given = [ident for ident, ask in self._answers.items() if ask == self._ask]
        if given:
            self._doubtful.append((given[-1], told))
        else:
            self.fail(told)
