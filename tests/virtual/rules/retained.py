"""What the broker keeps is what the daemon says, within 2 s of rest, and no command is kept."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from tests.virtual.witness import Watched

REST_S = 2.0
EVERY_S = 0.5
PASSING = ("t", "seq", "note")
"""Keys that are no change, and the one that says what is not finite."""


class Retained(Watched):
    """`notices` is what the daemon means to have retained, `own` what it knows, `kept` what the broker keeps.

    A kept stop is cleared at the next connect: where it came live, its connection does not show that it is kept.

    A document that has not changed for 2 s over connections that were sound so long is the one that is kept; and the
    daemon that has them says that it is on line.
    """

    def __init__(
        self,
        notices: Callable[[], Mapping[str, Any]],
        own: Callable[[], Mapping[str, Mapping[str, Any]]],
        kept: Callable[[], Mapping[str, bytes]],
        connected: Callable[[], tuple[str, ...]],
    ) -> None:
        self._notices, self._own, self._kept, self._connected = notices, own, kept, connected
        self._since: dict[str, tuple[Any, float]] = {}
        self._agreed: dict[str, tuple[Any, Any]] = {}
        self._over: tuple[str, ...] = ()
        self._next_s = 0.0
        self._up = self._online = False
        self._over_s = 0.0
        """Since when its connections are the same."""

    def daemon(self, up: bool) -> None:
        self._up, self._over_s = up, self.now()
        self._since.clear()
        self._online = up and self._online  # it is on line before it is up

    def told(self, topic: str, document: Any) -> None:
        if topic == "online":
            self._online = document is True
            self._since.clear()
        elif topic in self._since and _core(document) != self._since[topic][0]:
            del self._since[topic]  # it was another for less than the time between two looks

    def passed(self) -> None:
        if self.now() < self._next_s:
            return
        self._next_s = self.now() + EVERY_S
        over = self._connected()
        if not over or over != self._over:
            self._over, self._over_s = over, self.now()
        if over and self._online and self.now() > self._over_s:
            self._look()
            return
        self._since.clear()
        if over and self._up and not self._online and self.now() - self._over_s > REST_S:
            self._over_s = self.now()
            self.fail(f"the daemon is up since {REST_S:g} s and more, and does not say that it is on line")

    def _look(self) -> None:
        now, kept, notices = self.now(), self._kept(), self._notices()
        for topic in {**notices, **kept}:
            if topic.endswith("/stop") or topic in ("beat", "online"):
                continue
            document, held = notices.get(topic), kept.get(topic)
            agreed = self._agreed.get(topic)
            if agreed is not None and agreed[0] is document and agreed[1] is held:
                continue
            said = _core(document)
            if said == (None if held is None else _core(json.loads(held))):
                self._agreed[topic] = document, held
                self._since.pop(topic, None)
                continue
            before, since_s = self._since.get(topic, (said, now))
            if before != said:
                since_s = now
            self._since[topic] = said, since_s
            if now - since_s > REST_S:
                del self._since[topic]
                self.fail(f"{topic} is kept as {held!r}, while the daemon says {said}")

    def over(self) -> None:
        kept = self._kept()
        if not self._connected() or not self._online:
            return
        if kept.get("online") != b"true":
            self.fail(f"the broker keeps {kept.get('online')!r} of whether the daemon is on line")
        for topic, known in self._own().items():
            document = json.loads(kept.get(topic, b"{}"))
            told = {key: document.get(key) for key in known}
            if told != dict(known):
                self.fail(f"{topic} is kept with {told}, while the daemon knows {dict(known)}")
        for topic in kept:
            if topic.startswith("command/") and not topic.endswith("/stop"):
                self.fail(f"the command {topic} is kept")


def _core(document: Any) -> Any:
    if not isinstance(document, dict):
        return document
    return {key: value for key, value in document.items() if key not in PASSING}
