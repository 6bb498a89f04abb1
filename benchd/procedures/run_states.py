"""What a run can be in, and what becomes of it by whatever can happen: one table, for runner, gate and ending alike.

Whether steps wait and whether anything may be moved is read off the state and nowhere else, so that a run which says
that it is paused moves nothing, whoever asks.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal, get_args

from benchd.bench.gate import Gate
from benchd.errors import BenchdError, Refused

State = Literal["idle", "running", "paused", "asking", "aborting", "done", "failed", "aborted"]
"""The states as published."""

Phase = Literal[
    "idle", "running", "asking", "pausing", "paused", "returning",
    "finishing", "failing", "aborting", "done", "failed", "aborted",
]  # fmt: skip
"""`pausing` waits for a motion under way to end; `returning` drives back before it goes on; `finishing`, `failing` and
`aborting` are at the end, where `finally` is carried out."""

Event = Literal[
    "begin", "pause", "pause_moving", "parked", "resume", "back", "not_back", "asked", "answered",
    "stop", "stop_homing", "abort", "close", "steps_done", "broken_off", "ended",
]  # fmt: skip
"""`pause_moving`, `stop_homing`: while the carriage moves, or homes, which costs its place, so that nobody could
resume; `parked`: the steps wait at a gate; `close`: the daemon ends; `broken_off`: an error ended the steps."""

# `.` stays as it is, `-` is refused with the reason, `!` cannot be and would be a fault of benchd's.
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
"""In these nothing new is moved."""

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
    """Where the run under way is, and the gate its steps wait at. `changed` is called whenever something happened.

    `held` is told of what the run itself cannot go on from until a person has mended it.
    """

    def __init__(self, changed: Callable[[], None], held: Callable[[BenchdError], None]) -> None:
        self._changed = changed
        self.phase: Phase = "idle"
        self._stopped = False  # and nobody has resumed since: what is left of the run moves nothing
        self.gate = Gate(held, lambda: self.happens("parked"))

    def happens(self, event: Event, run: str = "the run") -> None:
        """Take an event up. Raises Refused (bad_request) for what a person cannot have of the run as it is."""
        becomes = BECOMES[self.phase, event]
        if becomes == "-":
            raise self._refusal(event, run)
        if becomes == "!":
            raise RuntimeError(f"'{event}' happened to a run that is {self.phase}")
        if event in ("begin", "resume"):
            self._stopped = False
        elif event in ("stop", "stop_homing", "close") or (event == "broken_off" and self.phase in WAITING):
            # Who has paused it wants it to stand as well where it ends by itself meanwhile.
            self._stopped = True
        self.phase = self.phase if becomes == "." else next(one for one in get_args(Phase) if one == becomes)
        if self.phase in WAITING or (event in ("abort", "close") and becomes == "aborting"):
            # Whoever aborts has the steps broken off a moment later: till then none is begun, as the way back may
            # still be driving.
            self.gate.close()
        elif self.phase != "aborting" or event == "broken_off":
            self.gate.open()
        self._changed()

    @property
    def may_move(self) -> bool:
        """Whether a motion may be begun now, be it the run's own or, while none is under way, anybody's."""
        return self.phase in OVER or not (self._stopped or self.phase in STILL)

    def told(self, *, asks: bool) -> State:
        """The state as published; `asks`: a question waits."""
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
        text = f"{run} is not paused; it is {self.told(asks=False)}."
        return Refused("bad_request", text, advice="Pause it first.", data={"asked": event})
