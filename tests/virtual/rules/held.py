"""Who moves the bench by a command of his own holds control, as it was last told."""

from __future__ import annotations

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
