"""Rows of the record as passed in and out: plain, frozen, with the ids that people see."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Literal

from benchd.devices.values import Quality
from benchd.errors import BenchdError

RunState = Literal["running", "done", "failed", "aborted"]
Doc = Mapping[str, Any]

_FORMS = {"run": "r-{:04d}", "finding": "f-{}", "calibration": "cal-{}"}
_PREFIXES = {"run": "r-", "finding": "f-", "calibration": "cal-"}
_Kind = Literal["run", "finding", "calibration"]


def name_of(kind: _Kind, row: int) -> str:
    """The id of a row, as people see it: `r-0192`, `f-310`, `cal-7`."""
    return _FORMS[kind].format(row)


def row_of(kind: _Kind, name: str) -> int:
    """The row number of an id. Raises BenchdError (`unknown_name`) for a malformed id."""
    digits = name.removeprefix(_PREFIXES[kind])
    if digits == name or not (digits.isascii() and digits.isdigit()) or len(digits) > 18:
        raise unknown(kind, name)
    return int(digits)


def unknown(kind: str, name: str) -> BenchdError:
    """The refusal of a name that the record does not hold."""
    form = _FORMS.get(kind, "{}").format(7)
    advice = f"A {kind} is named like {form}." if kind in _FORMS else ""
    return BenchdError("unknown_name", f"The record holds no {kind} {name}.", advice=advice)


BARREL_VIEW = "barrel_view"
"""The code of events that tell of a picture of the barrel, kept or missed."""


@dataclass(frozen=True, slots=True)
class BarrelPicture:
    """A picture of the barrel at a moment of a run: the key of its `file` and its name, or None; `said` says why."""

    moment: str
    file: str | None
    name: str | None
    taken: str | None
    said: str


@dataclass(frozen=True, slots=True)
class ReadingRow:
    """One reading of a run. `channel` tells readings of one device at one station apart (edge orientation, region);
    `value` and `u` are in `unit`, positions in um, `t_mono` in seconds of the daemon's monotonic clock."""

    run: str
    idx: int
    t_utc: str
    t_mono: float
    offset_um: float | None
    carriage_um: float | None
    device: str
    channel: str
    value: float | None
    unit: str
    quality: Quality = "good"
    u: float | None = None

    def __post_init__(self) -> None:
        # SQLite would silently store a NaN as NULL.
        for name in ("t_mono", "offset_um", "carriage_um", "value", "u"):
            number = getattr(self, name)
            if number is not None and not math.isfinite(number):
                raise BenchdError("bad_request", f"A reading's {name} is {number}; what cannot be said is null.")

    def as_json(self) -> dict[str, Any]:
        """The columns, as published on `reading`."""
        return {name: getattr(self, name) for name in _COLUMNS}


_COLUMNS = tuple(field.name for field in fields(ReadingRow))  # plain values: a copy of each, as asdict makes, is slow


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a procedure; `ended` is None while it runs. `setup` is the set-up's `rev` at its beginning."""

    run: str
    procedure: str
    text_sha: str
    inputs: Doc
    setup: int | None
    lens: str | None
    job: str | None
    user: str
    state: RunState
    began: str
    ended: str | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """A length (or other value) of an artefact as found; `dof` None is infinite.

    `value` None is a withdrawal, which says `why`.
    """

    calibration: str
    artefact: str
    value: float | None
    u: float | None
    unit: str
    at_C: float | None
    dof: float | None
    points: tuple[float, ...]
    finding: str | None
    valid_until: str | None
    by: str
    at: str
    why: str | None = None


@dataclass(frozen=True, slots=True)
class SetUp:
    """A set-up document as it stood from `at` on, and the chain that followed from it."""

    rev: int
    doc: Doc
    chain: list[Doc]
    at: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened; `cause` is the id of the command or run behind it."""

    at: str
    code: str
    severity: str
    text: str
    advice: str
    cause: str | None
    data: Doc
