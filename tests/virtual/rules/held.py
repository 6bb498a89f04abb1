"""Who moves the bench by a command of his own holds control, as it was last told; and how control is had and lost."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.rules.motion import MOVING_VERBS
from tests.virtual.witness import Watched

TOLD_S = 0.1


class Held(Watched):
    """Of commands that were accepted; a hand-over may be on its way."""

    def __init__(self) -> None:
        self._holders: list[tuple[float, str | None]] = [(0.0, None)]
        self._asked: dict[tuple[str, str], tuple[float, str]] = {}

    def daemon(self, up: bool) -> None:
        self._asked.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        args = request.get("args")
        dry = isinstance(args, dict) and args.get("dry") is True
        if verb in MOVING_VERBS and not dry and isinstance(request.get("id"), str):
            self._asked.setdefault((user, request["id"]), (self.now(), verb))

    def told(self, topic: str, document: Any) -> None:
        if topic == "control" and document:
            self._holders.append((self.now(), document["holder"]))
        elif topic.startswith("reply/") and document["ok"]:
            user = topic.removeprefix("reply/")
            if isinstance(document["result"], dict) and "holder" in document["result"]:
                self._holders.append((self.now(), document["result"]["holder"]))  # told here first
            asked = self._asked.pop((user, document["id"]), None)
            if asked is not None and user not in self._since(asked[0] - TOLD_S):
                self.fail(f"'{asked[1]}' of {user} was accepted, while {self._holders[-1][1]} held control")

    def _since(self, at_s: float) -> set[str | None]:
        """Everybody who held control at that time or later."""
        before = [holder for told_s, holder in self._holders if told_s <= at_s][-1:]
        return {*before, *(holder for told_s, holder in self._holders if told_s > at_s)}


IDLE_S = 60.0
LAPSED_S = 2.5
"""By then it is told: the lease is looked at once a second, and a message may wait behind others."""
RELEASED_S = 1.0
OVER = ("idle", "done", "failed", "aborted")


class Lapses(Watched):
    """Control is taken from another by force alone, and ends a minute after the holder's last command.

    A run, whose holder needs no command, holds it; what is asked at a time without sound connections counts as well.
    """

    def __init__(self, connected: Callable[[], tuple[str, ...]]) -> None:
        self._connected = connected
        self._up = self._run = False
        self._holder: str | None = None
        self._since_s = self._last_s = 0.0
        self._polite: dict[tuple[str, str], str] = {}
        """Who asked for control without force, by the command's id, and who had it then."""
        self._asked_s: dict[str, float] = {}
        self._released_s = -RELEASED_S

    def daemon(self, up: bool) -> None:
        self._up, self._holder = up, None
        self._polite.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        self._asked_s[user] = self.clock()
        if user == self._holder:
            self._last_s = self.clock()
        if verb == "release":
            self._released_s = self.clock()
        args = request.get("args")
        polite = verb == "take" and not (isinstance(args, dict) and args.get("force"))
        held = self._holder not in (None, user) and self.clock() - self._since_s > TOLD_S
        if polite and held and isinstance(request.get("id"), str):
            self._polite.setdefault((user, request["id"]), str(self._holder))

    def told(self, topic: str, document: Any) -> None:
        if topic == "control" and document:
            if document["holder"] != self._holder:
                self._holder, self._since_s = document["holder"], self.clock()
                self._last_s = self.clock()
        elif topic == "procedure" and document:
            self._run = document["state"] not in OVER
            self._last_s = self.clock()
        elif topic.startswith("reply/"):
            user = topic.removeprefix("reply/")
            holder = self._polite.pop((user, document["id"]), None)
            lapsed = self.clock() - self._asked_s.get(str(holder), -IDLE_S) > IDLE_S - TOLD_S
            released = self.clock() - self._released_s < RELEASED_S
            if document["ok"] and holder is not None and not (lapsed or released) and self._connected():
                self.fail(f"control was given to {user}, who used no force, while {holder} held it")

    def passed(self) -> None:
        if self._run or not self._connected():
            self._last_s = self.clock()
        elif self._up and self._holder is not None and self.clock() - self._last_s > IDLE_S + LAPSED_S:
            self._last_s = self.clock()
            self.fail(f"{self._holder} still holds control, {IDLE_S + LAPSED_S:g} s after the last command")
