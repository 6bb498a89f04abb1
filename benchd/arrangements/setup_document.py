"""The set-up document: what is on the bench now, and the checks of a change."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from benchd.arrangements.registry import arrangement_of
from benchd.errors import Refused
from benchd.files.artefacts import Celsius, Lens
from benchd.files.bench_file import BenchFile
from benchd.files.names import Name, RecordId
from benchd.files.records_folder import Records
from benchd.files.wording import near_names, what_may_stand
from benchd.metrology.chain_term import ChainTerm, UnmeasuredTerm


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class RingMark(_Part):
    """The ring at an engraved mark, as engraved, in the unit of the lens's scale."""

    mark: Annotated[float, Field(gt=0)] | Literal["inf"]


Ring = Literal["hard_stop", "infinity", "free"] | RingMark


class Magnification(_Part):
    """Magnification from wall to target, taken positive, with its standard uncertainty.

    `by`, left out where a person stated it, says that marks on the wall told it, or the pitch of a strip there, and
    `across_px` how far apart they were in the picture: of a strip twice the way from the square to its farther end.
    `u_out_of_focus` is what of u is there because the lens may not have been in focus, before it is known how far:
    what is found in the run that it was `told_in` says so.
    """

    value: Annotated[float, Field(gt=0, lt=1)]
    u: Annotated[float, Field(gt=0, lt=1)]
    by: Literal["marks", "pitch"] | None = Field(default=None, exclude_if=lambda value: value is None)
    across_px: Annotated[float, Field(gt=0)] | None = Field(default=None, exclude_if=lambda value: value is None)
    u_out_of_focus: Annotated[float, Field(ge=0)] | None = Field(default=None, exclude_if=lambda value: value is None)
    told_in: str | None = Field(default=None, max_length=40, exclude_if=lambda value: value is None)


DEFAULT_LIGHT_NM = 546.0


class SetupValues(_Part):
    """What a person may set; whole values, null clears."""

    lens: RecordId | None = None
    job: RecordId | None = None
    adapters: Annotated[tuple[RecordId, ...], Field(max_length=16)] = ()
    glass: Annotated[tuple[RecordId, ...], Field(max_length=8)] = ()
    ring: Ring | None = None
    distance_mm: Annotated[float, Field(ge=10, le=1e6)] | None = None
    m: Magnification | None = None
    f_number: Annotated[float, Field(ge=0.5, le=64)] | None = None
    light_nm: Annotated[float, Field(ge=200, le=2500)] | None = None
    temperature_C: Celsius | None = None
    support: Annotated[str, Field(max_length=200)] | None = None
    trim_um: Annotated[float, Field(ge=-5000, le=5000)] = 0.0


class SetupDocument(SetupValues):
    """The set-up as published: what is set, what follows from it, and the chain term by term.

    `stale` says that the carriage has not been driven since something changed that its place depends on.
    `distance_rev` is the revision at which the distance was stated that it goes by, carried over since.
    `told_by` names the meter that told a value, key by key; what is not in it a person has typed.
    `absolute` is null until a chain was worked out; where it is false, `why_relative` says in clauses what is missing.
    """

    rev: Annotated[int, Field(ge=0)] = 0
    arrangement: Name
    mount: str | None = None
    stale: bool = True
    distance_rev: Annotated[int, Field(ge=0)] | None = None
    told_by: dict[Literal["temperature_C", "distance_mm"], Name] = Field(
        default_factory=dict, exclude_if=lambda value: not value
    )
    absolute: bool | None = None
    why_relative: tuple[str, ...] = ()
    chain: tuple[ChainTerm | UnmeasuredTerm, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def wavelength_nm(self) -> float:
        """Of the target's light, as set or as it usually is."""
        return self.light_nm or DEFAULT_LIGHT_NM


TOLD = ("temperature_C", "distance_mm")
"""Keys that a meter may tell."""

SETTABLE: tuple[str, ...] = tuple(SetupValues.model_fields)

# A change of one of these moves the nominal place of the carriage.
MOVES_NOMINAL = (
    "lens",
    "adapters",
    "glass",
    "ring",
    "distance_mm",
    "m",
    "light_nm",
    "temperature_C",
    "support",
    "trim_um",
)

# Some values describe one lens, as set on one day, and are cleared with another lens until stated again. The
# magnification was measured at one distance.
OPEN_REL = 0.95
"""A stop typed as engraved may be rounded: 1.2 of a lens that its maker writes as f/1.25."""

CLEARED_WITH = {"lens": ("ring", "m", "f_number", "support"), "distance_mm": ("m",)}


def loses_distance(lens: str | None, then: str | None) -> bool:
    """Whether a change between these lenses makes the wall distance meaningless: one of them is None."""
    return lens != then and None in (lens, then)


def check_rev(present: int, asked: int | None) -> None:
    """Raise Refused('rev_conflict') if a change is for another revision than the present one."""
    if asked is not None and asked != present:
        raise Refused(
            "rev_conflict",
            f"The set-up is at revision {present}, not {asked}.",
            advice="Read it again, then change it.",
            data={"rev": present, "asked": asked},
        )


def first_setup(bench_file: BenchFile) -> SetupDocument:
    """The empty bench, revision 0."""
    return SetupDocument(arrangement=bench_file.arrangement.kind)


def apply(
    setup: SetupDocument,
    changes: Mapping[str, Any],
    records: Records,
    bench_file: BenchFile,
    *,
    rev: int | None = None,
) -> SetupDocument:
    """The set-up after `changes` (JSON values), its rev one higher; the old one stays untouched.

    Whole values replace, null clears. Another lens clears ring, m, f_number and support unless the same change states
    them; another distance clears m likewise, since it was measured at the old one. A distance is cleared when a lens is
    fitted to an empty bench, or the lens is removed: it counts from the target plane, which has no position without a
    lens. The new document has no chain yet. A change without effect gives the set-up unchanged, with its rev. Raises
    Refused: rev_conflict, bad_request (a key or value that is not allowed, parts that do not mate), unknown_name (with
    near names).
    """
    check_rev(setup.rev, rev)
    stated = _checked(changes)
    values = {name: getattr(setup, name) for name in SETTABLE} | stated
    for key, described in CLEARED_WITH.items():
        if values[key] != getattr(setup, key):
            values |= {name: None for name in described if name not in stated}
    if loses_distance(setup.lens, values["lens"]) and "distance_mm" not in stated:
        values["distance_mm"] = None
    if all(value == getattr(setup, name) for name, value in values.items()):
        return setup
    new = SetupDocument(
        **values,
        rev=setup.rev + 1,
        arrangement=bench_file.arrangement.kind,
        mount=records.lens(values["lens"]).mount if values["lens"] else None,
        stale=setup.stale or any(values[name] != getattr(setup, name) for name in MOVES_NOMINAL),
        distance_rev=_distance_rev(setup, values, "distance_mm" in stated),
        told_by={key: by for key, by in setup.told_by.items() if values[key] == getattr(setup, key)},
    )
    _check_mating(new, records, bench_file)
    lens = records.lens(new.lens) if new.lens is not None else None
    if lens is not None:
        _check_ring_mark(new, lens)
        _check_stop(new, lens)
    arrangement_of(bench_file).check_set_up(new, lens)
    return new


def _distance_rev(before: SetupDocument, values: Mapping[str, Any], stated: bool) -> int | None:
    """Since when the distance is what a person has stated; saying the same again is no other statement."""
    if values["distance_mm"] is None:
        return None
    return before.rev + 1 if stated and values["distance_mm"] != before.distance_mm else before.distance_rev


def _checked(changes: Mapping[str, Any]) -> dict[str, Any]:
    for key in changes:
        if key not in SETTABLE:
            fixed = key in SetupDocument.model_fields
            near = near_names(key, SETTABLE, 1)
            suggestion = f"Did you mean '{near[0]}'? " if near and not fixed else ""
            text = f"'{key}' of the set-up may not be set." if fixed else f"The set-up has no '{key}'."
            raise Refused(
                "bad_request", text, advice=f"{suggestion}May be set: {', '.join(SETTABLE)}.", data={"key": key}
            )
    # Null also means the empty value of a list or a number.
    empty = {"adapters": [], "glass": [], "trim_um": 0.0}
    given = {key: empty[key] if value is None and key in empty else value for key, value in changes.items()}
    try:
        parsed = SetupValues.model_validate_json(json.dumps(given), strict=True)
    except (ValueError, TypeError) as error:
        raise _refusal(error) from error
    return {key: getattr(parsed, key) for key in given}


def _refusal(error: ValueError | TypeError) -> Refused:
    if not isinstance(error, ValidationError):
        text = "The set-up takes JSON values with finite numbers."
        return Refused("bad_request", text, advice=f"May be set: {', '.join(SETTABLE)}.")
    first = error.errors(include_url=False)[0]
    key = str(first["loc"][0]) if first["loc"] else "set"
    if key == "ring":
        allowed = '"hard_stop", "infinity", "free", {"mark": a number as engraved}, or null'
    else:
        allowed = what_may_stand(first)
        key = ".".join(str(part) for part in first["loc"]) or key
    return Refused(
        "bad_request",
        f"{key} = {json.dumps(first['input'], default=str)[:60]} may not stand in the set-up.",
        advice=f"What may: {allowed}.",
        data={"key": key},
    )


def _check_mating(setup: SetupDocument, records: Records, bench_file: BenchFile) -> None:
    """Each adapter must mate with the next from the bench's seat upwards, and the last with the lens."""
    for what, ids in (("adapter", setup.adapters), ("glass", setup.glass)):
        twice = next((name for name in ids if ids.count(name) > 1), None)
        if twice is not None:
            raise _bad_request(
                f"{what.capitalize()} {twice} can be fitted only once.", "Name each part once.", {what: twice}
            )
    seat, owner = bench_file.seat, "the bench"
    for adapter in [records.adapter(name) for name in setup.adapters]:
        if adapter.seat_below != seat:
            raise _does_not_mate(f"Adapter {adapter.id}", adapter.seat_below, owner, seat, setup.adapters)
        seat, owner = adapter.seat_above, f"adapter {adapter.id}"
    if setup.lens is not None and (lens := records.lens(setup.lens)).mount != seat:
        raise _does_not_mate(f"Lens {lens.id}", lens.mount, owner, seat, setup.adapters)
    for glass in [records.glass(name) for name in setup.glass]:
        if glass.fits and not set(glass.fits) & set(setup.adapters):
            raise _bad_request(
                f"Glass {glass.id} is held by {' or '.join(glass.fits)}, which is not fitted.",
                "Fit that adapter or remove the glass in the same change.",
                {"glass": glass.id, "fits": list(glass.fits)},
            )


def _does_not_mate(what: str, rests_on: str, below: str, offers: str, adapters: Sequence[str]) -> Refused:
    return _bad_request(
        f"{what} rests on '{rests_on}', but {below} offers '{offers}'.",
        "List the adapters from the bench upwards.",
        {"rests_on": rests_on, "offers": offers, "adapters": list(adapters)},
    )


def _check_ring_mark(setup: SetupDocument, lens: Lens) -> None:
    if isinstance(setup.ring, RingMark) and lens.scale is not None and setup.ring.mark not in lens.scale.marks:
        marks = ", ".join(f"{mark:g}" if isinstance(mark, float) else mark for mark in lens.scale.marks)
        raise _bad_request(
            f"Lens {lens.id} has no mark {setup.ring.mark}.",
            f"Engraved are {marks} ({lens.scale.unit}).",
            {"mark": setup.ring.mark},
        )


def _check_stop(setup: SetupDocument, lens: Lens) -> None:
    """An iris closes and never opens beyond the lens's own stop."""
    if setup.f_number is not None and setup.f_number < OPEN_REL * lens.f_number:
        raise _bad_request(
            f"f_number {setup.f_number:g} is wider than lens {lens.id} opens: f/{lens.f_number:g} by its record.",
            "State the stop that the iris stands at, or null where it is open.",
            {"f_number": setup.f_number, "opens_to": lens.f_number},
        )


def _bad_request(text: str, advice: str, data: dict[str, Any]) -> Refused:
    return Refused("bad_request", text, advice=advice, data=data)
