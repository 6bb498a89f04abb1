"""What can be seen of a bench from outside, handed to the rules as it happens: bytes, messages, faults, and errors."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from benchd_simulators.firmware.journal import Journal
from tests.virtual.ends.broker_end import Published
from tests.virtual.schedule import Step

BENCH = "benchd/north-rail/"
THINGS = (
    "board",
    "counter",
    "indicator",
    "inputs",
    "camera",
    "world",
    "broker",
    "daemon",
    "disk",
    "worker",
    "machine",
    "clock",
)
"""What breaks; what else acts are people."""
MENDED = ("clear", "shut_door", "plug")
WHENEVER = ("online", "reading")
"""Topics that are looked at also where they come late from a daemon that was killed; its state is so no more."""


@dataclass(frozen=True)
class Broken:
    """A rule that did not hold, when, and what was seen."""

    rule: str
    at_s: float
    text: str

    def __str__(self) -> str:
        return f"{self.rule}: at {self.at_s:.3f} s {self.text}"


class Watched:
    """The calls of a rule, none of which does anything by itself. `now` is the virtual time (s) that the daemon had,
    `clock` that of its clock, which goes on where it is held up."""

    fail: Callable[[str], None]
    count: Callable[[str], None]
    now: Callable[[], float]
    clock: Callable[[], float]

    def passed(self) -> None:
        """Time may have passed; called before each of the calls below."""

    def sent(self, port: str, data: bytes) -> None:
        """Bytes left the daemon for a device."""

    def said(self, port: str, data: bytes) -> None:
        """Bytes arrived from a device."""

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        """A command reached the broker; `request` is {} where it is no JSON object."""

    def stopped(self) -> None:
        """A stop is delivered to the daemon."""

    def told(self, topic: str, document: Any) -> None:
        """The daemon told something; `topic` is below the bench. None takes a retained document back."""

    def done(self, step: Step) -> None:
        """A step of the schedule begins."""

    def log(self, level: str, text: str) -> None:
        """A line of the log at warning or above."""

    def daemon(self, up: bool) -> None:
        """The daemon answers, or is gone."""

    def ended_in_order(self) -> None:
        """The daemon has ended in order, as it was asked to when it was told to be gone."""

    def over(self) -> None:
        """The bench has come to rest, and the daemon is still up."""


CALLS = tuple(name for name, call in vars(Watched).items() if callable(call))


class Witness(Journal):
    """Sees bytes as the journal of the simulated cables, messages as the broker; keeps what was broken."""

    def __init__(self, rules: Iterable[Watched], now: Callable[[], float]) -> None:
        super().__init__(None)
        self._now = self.theirs = now
        """`theirs` is the time that rules go by, which a daemon that is held up does not see pass."""
        self.broken: list[Broken] = []
        self.counts: dict[str, int] = {}
        self._run: str | None = None
        self.asks: list[str] = []
        """The questions that were put, in their order."""
        self._senders: set[str] = set()
        """The daemon's connections that were heard; of them `_gone` as it went last, `_dead` once the next was up."""
        self._gone: set[str] = set()
        self._dead: set[str] = set()
        self.lines: list[str] = []
        self._heeds: dict[str, list[Callable[..., None]]] = {name: [] for name in CALLS}
        """By the name of each call, those of rules that do anything by it."""
        self.obey(rules)

    def obey(self, rules: Iterable[Watched]) -> None:
        """Hold these rules from now on."""
        for rule in rules:
            rule.now, rule.clock = self.theirs, self._now
            rule.fail = self._failed(type(rule).__name__)
            rule.count = self._count
            for name, heeding in self._heeds.items():
                if getattr(type(rule), name) is not getattr(Watched, name):
                    heeding.append(getattr(rule, name))

    def _passed(self) -> None:
        for passed in self._heeds["passed"]:
            passed()

    def _failed(self, name: str) -> Callable[[str], None]:
        def fail(text: str) -> None:
            self.broken.append(Broken(name, self._now(), text))

        return fail

    def _count(self, what: str) -> None:
        self.counts[what] = self.counts.get(what, 0) + 1

    def note(self, port: str, direction: str, data: bytes) -> None:
        self.lines.append(f"{self._now():.6f}\t{port}\t{direction}\t{data!r}")
        if direction == "out":
            self._passed()
            for said in self._heeds["said"]:
                said(port, data)

    def wrote(self, port: str, data: bytes) -> None:
        """The daemon writes, and the device may hear it later."""
        self._passed()
        for sent in self._heeds["sent"]:
            sent(port, data)

    def seen(self, message: Published) -> None:
        """A message as the broker takes it in."""
        self.lines.append(f"{self._now():.6f}\tmqtt\t{message.topic}\t{message.payload!r}")
        if not message.topic.startswith(BENCH):
            return
        topic = message.topic.removeprefix(BENCH)
        self._passed()
        if topic.startswith("command/"):
            _, user, verb = (*topic.split("/"), "", "")[:3]
            self._count("commands")
            for asked in self._heeds["asked"]:
                asked(user, verb, _object(message.payload), message.retain)
        elif message.of_the_daemon:
            self._senders.add(message.sender)
            if message.sender in self._dead and topic not in WHENEVER:
                return  # it was held up on its way, while the next daemon started
            document: Any = json.loads(message.payload) if message.payload else None
            if topic.startswith("finding/") and document:
                self._count("findings")
            elif topic == "procedure" and document:
                if document["run"] != self._run:
                    self._run = document["run"]
                    self._count("runs")
                if (ask := (document["ask"] or {}).get("ask")) is not None and ask not in self.asks[-1:]:
                    self.asks.append(ask)
            for told in self._heeds["told"]:
                told(topic, document)

    def step(self, step: Step) -> None:
        self.lines.append(f"{self._now():.6f}\tstep\t{step}")
        self._passed()
        for done in self._heeds["done"]:
            done(step)

    def carried_out(self, step: Step) -> None:
        """Count what was done; what mends is no fault."""
        self._count(f"step {step.do}")
        if step.who in THINGS and step.do not in MENDED and step.args.get("value") is not False:
            self._count("faults")

    def stopped(self) -> None:
        """A stop is delivered to the daemon."""
        self._passed()
        for stopped in self._heeds["stopped"]:
            stopped()

    def logged(self, level: str, text: str) -> None:
        self.lines.append(f"{self._now():.6f}\tlog\t{level}\t{text}")
        for log in self._heeds["log"]:
            log(level, text)

    def daemon(self, up: bool) -> None:
        self.lines.append(f"{self._now():.6f}\tdaemon\t{'up' if up else 'gone'}")
        self._passed()
        if up:
            self._dead = self._gone
        else:
            self._gone = set(self._senders)
        for daemon in self._heeds["daemon"]:
            daemon(up)

    def ended_in_order(self) -> None:
        self._passed()
        for ended_in_order in self._heeds["ended_in_order"]:
            ended_in_order()

    def over(self) -> None:
        self._passed()
        for over in self._heeds["over"]:
            over()


def _object(payload: bytes) -> dict[str, Any]:
    try:
        found = json.loads(payload, parse_float=_finite)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _finite(text: str) -> float:
    """Raises ValueError for a number beyond all bounds: a document that holds one is none."""
    if not math.isfinite(number := float(text)):
        raise ValueError(text)
    return number
