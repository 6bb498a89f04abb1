"""What an assessment ends in: values, units, uncertainty budget, verdict, and the readings it came from.

The model of the published document, so that what is stored, sent over MQTT and printed is one thing. Every number
is finite; what cannot be said is null, with a note.
"""

from __future__ import annotations

from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator


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


class Next(Part):
    """What would decide an undecided verdict: the line to improve, how far, and how.

    `part`, left out where the line has one input only, is the input to improve; then `u_needed_um` is its share.
    """

    dominant: str
    part: str | None = Field(default=None, exclude_if=lambda value: value is None)
    u_needed_um: float | None
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


class Advice(Part):
    """The shim that mends it, out of those in stock, and what is left over.

    `shim_um` is the change of thickness, `from_stock` the shims to put in; `remove`, left out where empty, those to
    take away of `fitted_um`, which are under the lens already; `total_um` is what will be under it then. Where
    nothing is advised all of these are null and `why` says why.
    """

    shim_um: float | None
    from_stock: list[float] | None
    remove: list[float] = Field(default=[], exclude_if=lambda value: not value)
    residual_um: float | None
    fitted_um: list[float] = []
    total_um: float | None = Field(default=None, exclude_if=lambda value: value is None)
    why: str | None = Field(default=None, exclude_if=lambda value: value is None)


class Source(Part):
    """The readings a finding rests on: first and last index of its run."""

    run: str
    indices: tuple[int, int]


class Finding(Part):
    """The document of one assessment. `finding` is null until the store has given it its number.

    Where `absolute` is false, `why_relative` says in clauses why; findings from before it was kept lack it.

    Raises pydantic's ValidationError for a verdict without an absolute zero, and for a verdict about a value
    that the finding does not hold.
    """

    finding: str | None = None
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
    budget: list[BudgetLine]
    verdict: Verdict | None
    advice: Advice | None
    notes: list[str] = []
    readings: Source | None
    calibrations: list[str] = []

    @model_validator(mode="after")
    def _verdict_stands_on_something(self) -> Self:
        if self.verdict is None:
            return self
        if not self.absolute:
            raise ValueError("a relative finding carries no verdict")
        if self.verdict.value not in self.values:
            raise ValueError(f"the verdict is about {self.verdict.value!r}, which is not among the values")
        return self

    def as_json(self) -> dict[str, Any]:
        """The published document: plain values only, keys as in the contract, in its order."""
        return self.model_dump(mode="json", by_alias=True)

    @classmethod
    def from_json(cls, doc: dict[str, Any]) -> Self:
        """The finding a document says. Raises pydantic's ValidationError."""
        return cls.model_validate(doc)
