"""The states of a run and its transitions: one table, used by runner, gate and ending.

Whether steps wait and whether anything may move follows from the state alone, so that a run that is published as
paused moves nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, get_args

from benchd.bench.gate import Gate
from benchd.errors import BenchdError, Refused

State = Literal["idle", "running", "paused", "asking", "aborting", "done", "failed", "aborted"]
"""The published states."""

Phase = Literal[
    "idle", "running", "asking", "pausing", "paused", "returning",
    "finishing", "failing", "aborting", "done", "failed", "aborted",
]  # fmt: skip
"""`pausing` waits for a motion under way to end; `returning` is the return motion before the run continues;
`finishing`, `failing` and `aborting` carry out `finally`."""

Event = Literal[
    "begin", "pause", "pause_moving", "parked", "resume", "back", "not_back", "asked", "answered",
    "stop", "stop_homing", "abort", "close", "steps_done", "broken_off", "ended",
]  # fmt: skip
"""`pause_moving`: a pause while the carriage moves; `stop_homing`: a stop while it homes, which loses the position, so
that the run could not be resumed; `parked`: the steps wait at the gate; `close`: the daemon ends; `broken_off`: an
error ended the steps."""

# `.`: no change; `-`: refused with the reason; `!`: impossible, a bug in benchd.
_TABLE = """
             over     running    asking   pausing   paused     returning finishing failing  aborting
begin        running  !          !        !         !          !         !         !        !
pause        -        paused     paused   .         .          paused    -         -        -
pause_moving -        pausing    paused   .         .          paused    -         -        -
parked       !        .          .        paused    .          .         .         .        .
resume       -        -          -        running   returning  .         -         -        -
back         .        .          .        .         .          running   .         .        .
not_back     .        .          .        .         .          paused    .         .        .
asked        .        asking     .        paused    .          .         .         .        .
answered     .        .          running  .         .          .         .         .        .
stop         .        paused     paused   paused    .          paused    .         .        .
stop_homing  .        failing    paused   failing   .          paused    .         .        .
abort        -        aborting   aborting aborting  aborting   aborting  -         -        .
close        .        aborting   aborting aborting  aborting   aborting  .         .        .
steps_done   !        finishing  !        !         !          !         !         .        .
broken_off   !        failing    failing  failing   failing    failing   !         .        .
ended        !        !          !        !         !          !         done      failed   aborted
"""

OVER = frozenset[Phase]({"idle", "done", "failed", "aborted"})
ENDING = frozenset[Phase]({"finishing", "failing", "aborting"})
WAITING = frozenset[Phase]({"pausing", "paused", "returning"})
Outcome = Literal["done", "failed", "aborted"]
STILL = frozenset[Phase]({"pausing", "paused"})
"""Phases in which no new motion begins."""

OUTCOMES: dict[Phase, Outcome] = {"finishing": "done", "failing": "failed", "aborting": "aborted"}


def _read(table: str) -> dict[tuple[Phase, str], str]:
    head, *rows = [line.split() for line in table.strip().splitlines()]
    columns: list[list[Phase]] = [
        list(OVER) if name == "over" else [phase for phase in get_args(Phase) if phase == name] for name in head
    ]
    return {
        (phase, event): becomes
        for event, *cells in rows
        for phases, becomes in zip(columns, cells, strict=True)
        for phase in phases
    }


BECOMES = _read(_TABLE)


class RunState:
    """The phase of the run under way, and the gate that its steps wait at. `changed` is called after every event.

    `held` is called with an error that the run cannot continue from until a person has fixed the cause.
    """

    def __init__(self, changed: Callable[[], None], held: Callable[[BenchdError], None]) -> None:
        self._changed = changed
        self.phase: Phase = "idle"
        self._stopped = False  # stopped and not resumed since: the rest of the run moves nothing
        self.gate = Gate(held, lambda: self.handle("parked"))

    def handle(self, event: Event, run: str = "the run") -> None:
        """Change the phase by the table. Raises Refused (bad_request) for a request that this phase does not allow."""
        becomes = BECOMES[self.phase, event]
        if becomes == "-":
            raise self._refusal(event, run)
        if becomes == "!":
            raise RuntimeError(f"'{event}' happened to a run that is {self.phase}")
        if event in ("begin", "resume"):
            self._stopped = False
        elif event in ("stop", "stop_homing", "close") or (event == "broken_off" and self.phase in WAITING):
            # A paused run is to stay at rest, also if it ends by itself meanwhile.
            self._stopped = True
        self.phase = self.phase if becomes == "." else next(phase for phase in get_args(Phase) if phase == becomes)
        if self.phase in WAITING or (event in ("abort", "close") and becomes == "aborting"):
            # An abort cancels the steps a moment later: until then none may begin, as the return motion may still be
            # under way.
            self.gate.close()
        elif self.phase != "aborting" or event == "broken_off":
            self.gate.open()
        self._changed()

    @property
    def may_move(self) -> bool:
        """Whether a motion may begin now: the run's own or, while no run is under way, any."""
        return self.phase in OVER or not (self._stopped or self.phase in STILL)

    def published(self, *, asks: bool) -> State:
        """The published state; `asks`: a question is open."""
        match self.phase:
            case "pausing" | "returning":
                return "running"  # the carriage may move
            case "finishing" | "failing":
                return "asking" if asks else "running"
            case phase:
                return phase

    def _refusal(self, event: Event, run: str) -> Refused:
        if self.phase in OVER:
            return Refused("unknown_name", f"{run} is not under way; it is {self.phase}.")
        if self.phase in ENDING:
            advice = "`stop` keeps what is left of it from moving anything."
            return Refused("bad_request", f"{run} is ending: its `finally` is carried out to the end.", advice=advice)
        text = f"{run} is not paused; it is {self.published(asks=False)}."
        return Refused("bad_request", text, advice="Pause it first.", data={"asked": event})
