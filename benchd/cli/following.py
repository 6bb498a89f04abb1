"""Follows a run: collects its states, questions, events and findings until it has ended."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from benchd.client import BenchClient, Watch

Doc = Mapping[str, Any]

ENDED = ("done", "failed", "aborted")
DRAIN_S = 0.25
"""Kept documents are sent at most 20 times a second: the last ones may come a little after the event of the end."""


@dataclass
class Outcome:
    """The outcome of a run. `chain` belongs to the last finding's set-up; `event` is that of its end."""

    run: str
    state: str = "running"
    findings: dict[str, Doc] = field(default_factory=dict)
    setups: dict[int, Doc] = field(default_factory=dict)
    event: Doc | None = None

    def chain_of(self, finding: Doc) -> list[Doc]:
        """The chain of the set-up of a finding; empty if it was not received."""
        setup = self.setups.get(int(finding["setup"]))
        return list(setup["chain"]) if setup and finding["lens"] is not None else []

    def as_json(self) -> dict[str, Any]:
        """run, state, findings, chain (of the last finding that has one), event."""
        chains = [chain for finding in self.findings.values() if (chain := self.chain_of(finding))]
        return {
            "run": self.run,
            "state": self.state,
            "findings": list(self.findings.values()),
            "chain": chains[-1] if chains else [],
            "event": self.event,
        }


class Following:
    """Follows the run that the command `ident` began. `watch` was made before the command was sent."""

    def __init__(self, watch: Watch, run: str, ident: str) -> None:
        self._watch = watch
        self._ident = ident
        self.outcome = Outcome(run)
        self.on_state: Callable[[Doc], Any] = lambda _: None
        self.on_event: Callable[[Doc], Any] = lambda _: None
        self.on_reading: Callable[[Doc], Any] = lambda _: None

    async def to_the_end(self) -> Outcome:
        """Return when the run has ended and its end event has arrived. Raises BenchdError if the connection is lost."""
        async for topic, doc in self._watch:
            self._take(topic, doc)
            if self.outcome.event is not None and self.outcome.state in ENDED:
                break
        try:
            async with asyncio.timeout(DRAIN_S):
                async for topic, doc in self._watch:
                    self._take(topic, doc)
        except TimeoutError:
            pass
        return self.outcome

    def _take(self, topic: str, doc: Any) -> None:
        if not isinstance(doc, Mapping):
            return
        mine = doc.get("run") == self.outcome.run
        if topic == "procedure" and mine:
            self.outcome.state = str(doc["state"])
            self.on_state(doc)
        elif topic.startswith("finding/") and mine:
            name = topic.partition("/")[2]
            self.outcome.findings.pop(name, None)
            self.outcome.findings[name] = doc
        elif topic == "setup":
            self.outcome.setups[int(doc["rev"])] = doc
        elif topic == "reading" and mine:
            self.on_reading(doc)
        elif topic == "event":
            if doc.get("cause") == self._ident:
                self.outcome.event = doc
            self.on_event(doc)


def watch_all(bench: BenchClient) -> Watch:
    """What a Following needs, listening from now on."""
    return bench.watch("#")
