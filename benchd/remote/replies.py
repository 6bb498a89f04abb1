"""What is answered to a command, as models; like `benchd.remote.documents`, words for what is told elsewhere.

A reply says that a command was taken or refused; how it ended is told as an `event` whose `cause` is the id.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from benchd.devices.values import Quality
from benchd.errors import ErrorCode
from benchd.procedures.plan import Entry
from benchd.remote.documents import Document, Told


class Taken(Told):
    """Nothing beside that it was taken."""


class AtRest(Told):
    """Everything that moved stands."""

    beat: str
    """Drawn after the stop, which has voided those before it."""


class Holder(Told):
    """Who holds control now."""

    holder: str | None


class Target(Told):
    """Where the carriage goes."""

    carriage_um: float


class Level(Told):
    """What the light was set to, 0 to 1."""

    level: float


class Reading(Told):
    """One reading, in `unit`."""

    value: float | None
    unit: str
    t: str
    """RFC 3339, UTC."""
    quality: Quality


class Dropped(Told):
    """A value of the set-up that nobody named and that is gone all the same."""

    key: str
    was: Any
    why: str
    """A clause: of what it was stated, which is another one now."""


class Carried(Told):
    """A value that nobody named: the target has moved, and what was measured from it is another one now."""

    key: str
    was: Any
    now: Any


class SetUp(Told):
    """What a change of the set-up came to; with `follow` what it will come to once the carriage has followed."""

    rev: int
    """After the change; as it was where nothing changed."""
    set: dict[str, Any]
    """What is another value than before, of what was named."""
    dropped: list[Dropped]
    carried: list[Carried]
    nominal_carriage_um: float | None
    """Where `nominal` goes now, trim included; null without a lens."""
    moved_um: float | None
    """From where it went before; null where either is nowhere."""
    absolute: bool | None
    """Whether findings will be; null without a lens."""
    why_relative: list[str]
    """Clauses: what is missing."""


class Started(Told):
    """The run that was begun."""

    run: str


class DryRun(Told):
    """What a run would do, the person's time left out; nothing has moved."""

    procedure: str
    seconds: float
    """What is expected in any case."""
    seconds_at_most: float
    """With every branch taken, and with the longest search for a focus that is not where it should be."""
    asks: list[str]
    problems: list[str]
    """What would be refused, or might be: then it says what that depends on."""
    entries: list[Entry]


class Answered(Told):
    """The answer as it was taken."""

    value: bool | int | float | str


class InForce(Told):
    """The calibration that was made of the finding."""

    calibration: str


RESULTS: Mapping[str, Any] = {
    "stop": AtRest,
    "take": Holder,
    "release": Holder,
    "home": Taken,
    "nominal": Target,
    "move": Target,
    "light": Level,
    "read": Reading,
    "setup": SetUp,
    "sweep": Started,
    "run": Started | DryRun,
    "pause": Taken,
    "resume": Taken,
    "abort": Taken,
    "answer": Answered,
    "accept": InForce,
    "note": Taken,
}
"""The `result` of each verb."""


class Accepted(Document):
    """The command was taken; its end is an event."""

    id: str | None
    ok: Literal[True]
    result: dict[str, Any]


class Error(Told):
    """Why not."""

    code: ErrorCode
    text: str
    """What happened, a sentence."""
    advice: str
    """What to do next, or empty."""
    data: dict[str, Any]
    """The figures behind it."""


class Refusal(Document):
    """The command was not carried out; the bench is as it was."""

    id: str | None
    """Null where the message had none that can be repeated."""
    ok: Literal[False]
    error: Error
