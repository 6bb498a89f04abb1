"""Commands are answered, what was accepted ends in one event, and nothing changes for what was not accepted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

from tests.virtual.rules.motion import long_lasting
from tests.virtual.schedule import Step
from tests.virtual.witness import Watched

ANSWERED_S = 2.0
"""From the broker's taking a command to its taking the answer; the commands of one person wait for each other."""
DEVICE_S = 10.0
"""The same where a device does not answer: the client's own patience."""
TOLD_S = 0.5
"""From the end of a job to its event; it waits for the state, 50 ms at the most, and for the answer."""
IDLE_S = 59.0
"""Of 60 s, after which control lapses."""
DEVICES = ("board", "counter", "indicator", "camera")
OVER = ("idle", "done", "failed", "aborted")
Connected = Callable[[], tuple[str, ...]]
"""The names of the daemon's connections to the broker; none where one is lost or stalled."""


@dataclass(frozen=True)
class _Owed:
    """What the daemon owes to a command since `since_s`, over the connections it then had."""

    verb: str
    since_s: float
    over: tuple[str, ...]


class Answered(Watched):
    """Every command is answered while the daemon is up and its connections are sound, from then until it is due.

    A stall only delays, and so does a motion where a light was asked for: the board takes up no other line before its
    end, and what the same person asks for later waits its turn. Stops are for `Stops`.
    """

    def __init__(self, connected: Connected) -> None:
        self._connected = connected
        self._owed: dict[tuple[str, str], _Owed] = {}
        self._lights: set[tuple[str, str]] = set()
        self._up = self._moves = False
        self._device_failed_s = -DEVICE_S
        self._failing: frozenset[str] = frozenset()

    def daemon(self, up: bool) -> None:
        self._up = up
        self._owed.clear()
        self._lights.clear()

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/") and document["id"] is not None:
            self._owed.pop((topic.removeprefix("reply/"), document["id"]), None)
            self._lights.discard((topic.removeprefix("reply/"), document["id"]))
        elif topic.startswith("device/") and document:
            if document["state"] in ("fault", "offline"):
                self._device_failed_s = self.now()
            if topic == "device/carriage":
                self._moves = document["state"] in ("moving", "homing")

    def done(self, step: Step) -> None:
        if step.who in DEVICES:
            self._device_failed_s = self.now() + float(step.args.get("s", 0.0))
            lasts = step.args.get("value") is True
            self._failing = (self._failing | {step.who}) if lasts else (self._failing - {step.who})

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        ident, over = request.get("id"), self._connected()
        if verb == "light" and isinstance(ident, str):
            self._lights.add((user, ident))
        if self._up and over and verb != "stop" and isinstance(ident, str) and 0 < len(ident) <= 64:
            self._owed.setdefault((user, ident), _Owed(verb, self.now(), over))

    def passed(self) -> None:
        if not self._owed:
            return
        now, over = self.now(), self._connected()
        dark = {user for user, _ in self._lights} if self._moves else set()
        for (user, ident), owed in list(self._owed.items()):
            device = self._failing or now - self._device_failed_s <= DEVICE_S
            limit_s = DEVICE_S if device else ANSWERED_S
            if not over or user in dark:
                self._owed[user, ident] = replace(owed, since_s=now)
            elif over != owed.over:
                del self._owed[user, ident]
            elif now - owed.since_s > limit_s:
                del self._owed[user, ident]
                self.fail(f"'{owed.verb}' of {user} ({ident}) has had no answer since {owed.since_s:.3f} s")

    def over(self) -> None:
        self.passed()


class EndsOnce(Watched):
    """What was accepted and takes time ends in exactly one event, before the next begins or the run is told as over.

    An event is lost with its connection: then nothing is owed any more.
    """

    def __init__(self, connected: Connected) -> None:
        self._connected = connected
        self._asked: dict[tuple[str, str], str] = {}
        self._open: dict[str, _Owed] = {}
        self._due_s: dict[str, float] = {}
        self._runs: dict[str, str] = {}
        self._ended: set[str] = set()

    def daemon(self, up: bool) -> None:
        for known in (self._asked, self._open, self._due_s, self._runs, self._ended):
            known.clear()

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if long_lasting(verb, request) and isinstance(request.get("id"), str):
            self._asked.setdefault((user, request["id"]), verb)

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/"):
            self._replied(topic.removeprefix("reply/"), document)
        elif topic == "procedure" and document and document["state"] in OVER:
            self._ends_now(self._runs.get(document["run"], ""))
        elif topic == "event" and "was refused" not in document["text"]:
            ident = document["cause"]
            if ident in self._ended:
                self.fail(f"command {ident} has ended again: {document['text']}")
            elif ident in self._open:
                self._ended.add(ident)
                self._forget(ident)

    def _replied(self, user: str, document: Any) -> None:
        ident = document["id"]
        verb = self._asked.get((user, ident))
        if verb is None or not document["ok"]:
            return
        for other in self._open:
            self._ends_now(other)  # there is one job at a time
        if ident not in self._ended:
            self._open[ident] = _Owed(verb, self.now(), self._connected())
            if "run" in document["result"]:
                self._runs[document["result"]["run"]] = ident

    def _ends_now(self, ident: str) -> None:
        if ident in self._open:
            self._due_s.setdefault(ident, self.now() + TOLD_S)

    def _forget(self, ident: str) -> None:
        self._open.pop(ident, None)
        self._due_s.pop(ident, None)

    def passed(self) -> None:
        if not self._due_s:
            return
        now, over = self.now(), self._connected()
        for ident, due_s in list(self._due_s.items()):
            if not over:
                self._due_s[ident] = now + TOLD_S
            elif over != self._open[ident].over:
                self._forget(ident)
            elif now > due_s:
                self.fail(f"'{self._open[ident].verb}' ({ident}) is over, and no event has told how it ended")
                self._forget(ident)

    def over(self) -> None:
        over = self._connected()
        for ident, owed in self._open.items():
            if over and owed.over == over:
                self.fail(f"'{owed.verb}' ({ident}) was accepted at {owed.since_s:.3f} s and has not ended")


CAUSES = {
    "holder": ("take", "release"),
    "setup": ("setup", "accept", "record", "run", "sweep"),
    "run": ("run", "sweep"),
}
"""By what changes: the commands that may change it."""


class OnlyAccepted(Watched):
    """Holder, set-up and run change by what was accepted: one that was refused leaves the bench as it was.

    A run changes the set-up at its steps; control lapses by itself. What changed while connections were lost is not
    looked at.
    """

    def __init__(self, connected: Connected) -> None:
        self._connected = connected
        self._over: tuple[str, ...] = ()
        self._known: dict[str, Any] = {}
        self._asked: dict[tuple[str, str], tuple[float, str]] = {}
        self._served_s: dict[str | None, float] = {}
        self._accepted_s: dict[str, float] = {}
        self._state, self._state_s = "idle", 0.0
        self._doubtful: list[tuple[float, str, str]] = []

    def daemon(self, up: bool) -> None:
        self._known.clear()
        self._doubtful.clear()
        self._state = "idle"

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        if verb != "stop" and isinstance(request.get("id"), str):  # a stop needs no control, and prolongs none
            self._asked[user, request["id"]] = (self.clock(), verb)

    def told(self, topic: str, document: Any) -> None:
        if topic.startswith("reply/") and document["ok"]:
            user = topic.removeprefix("reply/")
            asked = self._asked.get((user, document["id"]))
            if asked is not None:
                self._served_s[user] = asked[0]  # it is admitted soon, and may be answered late
                self._accepted_s[asked[1]] = self.now()
        elif topic == "control" and document:
            self._changed("holder", document["holder"])
        elif topic == "setup" and document:
            self._changed("setup", document["rev"])
        elif topic == "procedure" and document:
            if document["state"] != self._state:
                self._state, self._state_s = document["state"], self.now()
            self._changed("run", document["run"])

    def _changed(self, what: str, value: Any) -> None:
        over = self._connected()
        if over != self._over:
            self._known.clear()
            self._doubtful.clear()
        self._over = over
        before = self._known.get(what, value)
        self._known[what] = value
        if before == value or not over:
            return
        lapsed = what == "holder" and value is None and self.clock() - self._served_s.get(before, -IDLE_S) > IDLE_S
        under_way = self._state not in OVER or self.now() - self._state_s < TOLD_S
        if not lapsed and not (what == "setup" and under_way) and not (what == "run" and value is None):
            self._doubtful.append((self.now(), what, f"{before} became {value}"))

    def passed(self) -> None:
        while self._doubtful and self.now() - self._doubtful[0][0] > TOLD_S:
            at_s, what, how = self._doubtful.pop(0)
            accepted_s = max(self._accepted_s.get(verb, -1.0) for verb in CAUSES[what])
            if accepted_s < at_s - TOLD_S and self._connected() == self._over:
                self.fail(f"{what} {how} at {at_s:.3f} s, and nothing that was accepted changes it")
