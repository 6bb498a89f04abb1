"""The result of an assessment: values, units, uncertainty budgets, verdict, and its readings.

The model of the published document: the same is stored, sent over MQTT and printed. Every number is finite; an unknown
one is null, with a note.
"""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

SCHEMA = 2
"""Version of the document, counted up if older readers would misread it (`earlier_schemas` reads older ones)."""

BUDGET_REL = 0.02
"""Allowed relative deviation of a value's u from the root sum of squares of its lines: figures may be rounded."""


class Part(BaseModel):
    """Base of everything inside a finding: unknown keys refused, no NaN, no infinity, not changed once made."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, frozen=True, populate_by_name=True)


class Mark(Part):
    """A ring left at an engraved mark, kept as engraved."""

    mark: float | str


class Measurand(Part):
    """What exactly was measured: two findings may be compared only where this is the same.

    What a finding has no use for (the merit, where a rod is measured with an indicator) is null. `response` says whose
    the merit is: 'system' is lens and camera together, whose own transfer nobody knows: the peak is the lens's, the
    modulation is not. `artefact` names the adapter, glass or bench base whose length the finding gives; it is left out
    of findings about a lens.
    """

    arrangement: str
    ring: Literal["hard_stop", "infinity", "free"] | Mark | None = None
    f_number: float | None = None
    merit: str | None = None
    lp_mm: float | None = None
    light_nm: float | None = None
    glass: list[str] = []
    reference_C: float = 20.0
    response: Literal["system"] | None = Field(default=None, exclude_if=lambda value: value is None)
    artefact: str | None = Field(default=None, exclude_if=lambda value: value is None)


class Value(Part):
    """One result: standard uncertainty `u`, degrees of freedom (null: infinite), coverage factor, half interval `U`."""

    value: float | None
    unit: str
    u: float | None = Field(default=None, ge=0)
    dof: float | None = Field(default=None, gt=0)
    k: float | None = Field(default=None, gt=0)
    U: float | None = Field(default=None, ge=0)


class LinePart(Part):
    """What one input adds to a line of the budget, in the unit of the line."""

    name: str
    u: float = Field(ge=0)


class BudgetLine(Part):
    """One line of the uncertainty budget, in the unit of the value; `type` as in JCGM 100, `dof` null is infinite.

    `shape` is the distribution it was taken to have, left out where normal; `parts` what its inputs add to it, left
    out where it has one.
    """

    term: str
    u: float = Field(ge=0)
    type: Literal["A", "B"]
    dof: float | None = Field(default=None, gt=0)
    source: str
    shape: Literal["normal", "rectangular", "arcsine", "triangular"] = Field(
        default="normal", exclude_if=lambda value: value == "normal"
    )
    parts: list[LinePart] = Field(default=[], exclude_if=lambda value: not value)

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if any(part.u > (1.0 + BUDGET_REL) * self.u for part in self.parts):
            raise ValueError(f"a part of the line {self.term!r} is more than the line, u = {self.u}")
        return self


class Next(Part):
    """What would decide an undecided verdict: the line to improve, how far, how, and what U would then be.

    `part`, left out where the line has one input only, is the input to improve; then `u_needed_um` is its share, null
    where no single one decides. `U_then_um` is the expanded uncertainty of the value with that, or with nothing left of
    it where no single one decides; findings from before it was foretold lack it. `U_decides_um`, told there alone, is
    the U that would decide, whatever is improved. Of a value in another unit `u_needed`, `U_then` and `U_decides`, left
    out else, say the same in that.
    """

    dominant: str
    part: str | None = Field(default=None, exclude_if=lambda value: value is None)
    u_needed_um: float | None
    u_needed: float | None = Field(default=None, exclude_if=lambda value: value is None)
    U_then_um: float | None = Field(default=None, ge=0, exclude_if=lambda value: value is None)
    U_then: float | None = Field(default=None, ge=0, exclude_if=lambda value: value is None)
    U_decides_um: float | None = Field(default=None, ge=0, exclude_if=lambda value: value is None)
    U_decides: float | None = Field(default=None, ge=0, exclude_if=lambda value: value is None)
    how: str


class Verdict(Part):
    """Inside the limits or not, by the probability of conformity (JCGM 106).

    `condition`, left out where there is none, says under what condition that holds, in words.
    """

    is_: Literal["pass", "fail", "undecided"] = Field(alias="is")
    value: str
    low: float | None
    high: float | None
    unit: str
    p_conform: float = Field(ge=0, le=1)
    rule: str
    next: Next | None = None
    condition: str | None = Field(default=None, exclude_if=lambda value: value is None)


class Foretold(Part):
    """The verdict to be expected of a change, from the same uncertainty."""

    is_: Literal["pass", "fail", "undecided"] = Field(alias="is")
    p_conform: float = Field(ge=0, le=1)


class Advice(Part):
    """The shim that mends it, out of those in stock, and what is left over.

    `shim_um` is the change of thickness, `from_stock` the shims to put in; `remove`, left out where empty, those to
    take away of `fitted_um`, which are under the lens already; `total_um` is what will be under it then, and `foretold`
    the verdict, left out where there is no tolerance. Where nothing is advised all of these are null and `why` says
    why.
    """

    shim_um: float | None
    from_stock: list[float] | None
    remove: list[float] = Field(default=[], exclude_if=lambda value: not value)
    residual_um: float | None
    fitted_um: list[float] = []
    total_um: float | None = Field(default=None, exclude_if=lambda value: value is None)
    foretold: Foretold | None = Field(default=None, exclude_if=lambda value: value is None)
    why: str | None = Field(default=None, exclude_if=lambda value: value is None)


class MoreReadings(Part):
    """Whether more readings of the same would be worth their time, and why, in a sentence."""

    worth: bool
    why: str


class Shares(Part):
    """What of a calibration's u came of the bench's own scale, carriage, gauge and the thickness of the target's cover
    (um), which others share."""

    scale_um: float = Field(default=0.0, ge=0)
    abbe_um: float = Field(default=0.0, ge=0)
    hysteresis_um: float = Field(default=0.0, ge=0)
    gain_um: float = Field(default=0.0, ge=0)
    cover_um: float = Field(default=0.0, ge=0, exclude_if=lambda value: value == 0.0)


class WallShares(Part):
    """What of the u of a gap between principal planes others share: `u_distance_mm` of what told the distance, a tape
    or a meter; `m_u_rel` the relative u that every m by these marks shares, null where m was stated; `marks_mm` and
    `pitch_mm` what the bench file said of marks, or the pitch of a strip, and target then: others share nothing with
    it. `across_px`, left out where the two walls' pictures differ, is how far apart marks have to look for their
    camera's distortion to be shared.
    """

    u_distance_mm: float = Field(ge=0)
    m_u_rel: float | None = Field(default=None, ge=0)
    marks_mm: float | None = None
    pitch_mm: float | None = None
    across_px: float | None = Field(default=None, exclude_if=lambda value: value is None)


class AtWall(WallShares):
    """How a gap was come by: `own_u_um` is what nothing later has in common with it, `distance_mm` the wall's."""

    own_u_um: float = Field(ge=0)
    distance_mm: float


class Calibrates(Part):
    """What of the finding may come into force: its value of that name, as that of the artefact.

    `carriage_um`, left out where it does not count, is where the carriage stood; `shares`, left out where nothing of it
    came of the bench itself, what base, adapters and place have in common: it counts once in the chain. `at_wall`, left
    out but of a gap, says at which wall that was found. `light_nm` is the light it holds for, left out where that does
    not count, and `how` a clause on how it was come by, left out where there is nothing to say. `common_u` is what of
    its u stays the same however often it is drawn anew, left out where nothing does.
    """

    artefact: str
    value: str
    carriage_um: float | None = Field(default=None, exclude_if=lambda value: value is None)
    shares: Shares | None = Field(default=None, exclude_if=lambda value: value is None)
    at_wall: AtWall | None = Field(default=None, exclude_if=lambda value: value is None)
    light_nm: float | None = Field(default=None, exclude_if=lambda value: value is None)
    how: str | None = Field(default=None, exclude_if=lambda value: value is None)
    common_u: float | None = Field(default=None, ge=0, exclude_if=lambda value: not value)


class Column(Part):
    """A column of a table or an axis of a curve; its unit is `1` where it has none."""

    name: str
    unit: str = "1"


class Table(Part):
    """Rows under their columns; what cannot be said is null."""

    columns: list[Column] = Field(min_length=1)
    rows: list[list[float | str | None]]

    @model_validator(mode="after")
    def _rows_fit(self) -> Self:
        if any(len(row) != len(self.columns) for row in self.rows):
            raise ValueError(f"each row of the table has {len(self.columns)} cells, one a column")
        return self


class CurveOf(Part):
    """One quantity over another, point by point; `u`, left out where not known, is the standard uncertainty of y."""

    x: Column
    y: Column
    points: list[tuple[float, float]]
    u: list[Annotated[float, Field(ge=0)]] = Field(default=[], exclude_if=lambda value: not value)

    @model_validator(mode="after")
    def _u_fits(self) -> Self:
        if self.u and len(self.u) != len(self.points):
            raise ValueError(f"the curve has {len(self.points)} points and {len(self.u)} uncertainties")
        return self


class Source(Part):
    """The readings a finding rests on: first and last index of its run."""

    run: str
    indices: tuple[int, int]


class Finding(Part):
    """The document of one assessment. `finding` is empty until the record has given it its number.

    Where `absolute` is false, `why_relative` says in clauses why; findings from before it was kept lack it. `budgets`
    has the lines of each value that has a `U`. `tables`, `curves` and `calibrates` are left out where empty,
    `more_readings` where the question does not tell.

    Raises pydantic's ValidationError for a verdict without an absolute zero, for a verdict, a budget or a calibration
    about a value that the finding does not hold, and for an interval whose lines are missing or do not add up to it.
    """

    finding: str | None = None
    schema_: int = Field(default=SCHEMA, alias="schema", ge=SCHEMA, le=SCHEMA)
    assessment: str
    run: str
    setup: int
    lens: str | None
    job: str | None = None
    at: str
    version: str
    measurand: Measurand
    absolute: bool
    why_relative: list[str] = Field(default=[], exclude_if=lambda value: not value)
    values: dict[str, Value]
    budgets: dict[str, list[BudgetLine]]
    tables: dict[str, Table] = Field(default={}, exclude_if=lambda value: not value)
    curves: dict[str, CurveOf] = Field(default={}, exclude_if=lambda value: not value)
    verdict: Verdict | None
    advice: Advice | None
    calibrates: list[Calibrates] = Field(default=[], exclude_if=lambda value: not value)
    more_readings: MoreReadings | None = Field(default=None, exclude_if=lambda value: value is None)
    notes: list[str] = []
    readings: Source | None
    calibrations: list[str] = []

    @model_validator(mode="after")
    def _all_is_about_its_values(self) -> Self:
        if self.verdict is not None and not self.absolute:
            raise ValueError("a relative finding carries no verdict")
        about = {"verdict": [self.verdict.value] if self.verdict else [], "budget": list(self.budgets)}
        about["calibration"] = [entry.value for entry in self.calibrates]
        artefacts = [entry.artefact for entry in self.calibrates]
        if len(set(artefacts)) < len(artefacts):
            raise ValueError(f"of {' and '.join(artefacts)} each may be calibrated once")
        for what, names in about.items():
            for name in names:
                if name not in self.values:
                    raise ValueError(f"the {what} is about {name!r}, which is not among the values")
        return self

    @model_validator(mode="after")
    def _intervals_are_of_their_lines(self) -> Self:
        for name, value in self.values.items():
            if value.U is None:
                continue
            if value.value is None or not value.u or not value.k or not _near(value.U, value.k * value.u):
                raise ValueError(f"{name!r} has U = {value.U}, and not a value with u and k whose product that is")
            u = math.hypot(*(line.u for line in self.budgets.get(name, ())))
            if not _near(u, value.u):
                raise ValueError(f"the lines of the budget of {name!r} come to u = {u:.3g}, and {value.u} is stated")
        return self

    def as_json(self) -> dict[str, Any]:
        """The published document: plain values, with the keys and order of the contract."""
        return self.model_dump(mode="json", by_alias=True)

    @classmethod
    def from_json(cls, doc: dict[str, Any]) -> Self:
        """The finding of a document. Raises pydantic's ValidationError."""
        return cls.model_validate(doc)


def _near(first: float, second: float) -> bool:
    return math.isclose(first, second, rel_tol=BUDGET_REL, abs_tol=1e-12)
