"""What each verb takes, as strict models: unknown keys, other types and numbers that are not finite are refused.

Lengths along the axis in um, lens dimensions in mm, light in nm, temperatures in degrees Celsius, times in s.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    WrapValidator,
    model_validator,
)

ModelT = TypeVar("ModelT", bound=BaseModel)

Name = Annotated[str, Field(pattern=r"^[a-z0-9_-]{1,32}$")]
"""A device, role, procedure or user: what may stand in a topic."""
Code = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
"""An artefact or a record: `L-0417`, `ring-07`, `r-0192`."""
Text = Annotated[str, Field(min_length=1, max_length=2000)]


class Args(BaseModel):
    """The root of all arguments."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class Envelope(Args):
    """What surrounds the arguments: an id, once only; a beat where the verb can start motion."""

    id: str = Field(pattern=r"^[!-~]{1,64}$")
    beat: str | None = Field(default=None, max_length=64)
    args: dict[str, Any] = Field(default_factory=dict)


class Nothing(Args):
    """No arguments."""


class StopArgs(Args):
    """Everything that moves stops, whichever `axis` is named: what is hurried may not be weighed."""

    axis: Name | None = None


class TakeArgs(Args):
    """`force` takes control from its holder."""

    force: bool = False


class ReleaseArgs(Args):
    """`to` hands control over; `force` releases what another holds."""

    force: bool = False
    to: Name | None = None


class HomeArgs(Args):
    """Which axes, by role or name."""

    axes: list[Name] = Field(default=["carriage"], min_length=1, max_length=16)
    only_if_unhomed: bool = False


class MoveArgs(Args):
    """Exactly one target: um for a linear axis, degrees for a rotary one; `by_` is from where it stands."""

    axis: Name = "carriage"
    offset_um: float | None = None
    depth_um: float | None = None
    carriage_um: float | None = None
    by_um: float | None = None
    to_deg: float | None = None
    by_deg: float | None = None

    @model_validator(mode="after")
    def _one_target(self) -> Self:
        return _exactly_one(self, "offset_um", "depth_um", "carriage_um", "by_um", "to_deg", "by_deg")


class LightArgs(Args):
    """Exactly one of `level` (0 to 1), `stops_by` (change in photographic stops) and `on`; `for_s` ends it again."""

    light: Name = "target_light"
    level: float | None = Field(default=None, ge=0.0, le=1.0)
    stops_by: float | None = Field(default=None, ge=-20.0, le=20.0)
    on: bool | None = None
    for_s: float | None = Field(default=None, gt=0.0, le=86400.0)

    @model_validator(mode="after")
    def _one_setting(self) -> Self:
        return _exactly_one(self, "level", "stops_by", "on")


class ReadArgs(Args):
    """Which device, by role or name."""

    device: Name


class Measured(Args):
    """A value and its standard uncertainty."""

    value: float
    u: float


class RingMark(Args):
    """A distance mark of the focus ring, as engraved."""

    mark: float | Literal["inf"]


def _ring(value: Any, check: ValidatorFunctionWrapHandler) -> Any:
    try:
        return check(value)
    except ValidationError:
        raise ValueError('"hard_stop", "infinity", "free", {"mark": ..} or null') from None


class SetupValues(Args):
    """What may be set of the set-up document. A key that is given replaces the whole value, null clears it.

    Only types are looked at here; which values may stand is for `benchd.bench.setup` alone to say.
    """

    lens: str | None = None
    job: str | None = None
    adapters: list[str] | None = None
    glass: list[str] | None = None
    ring: Annotated[Literal["hard_stop", "infinity", "free"] | RingMark | None, WrapValidator(_ring)] = None
    distance_mm: float | None = None
    m: Measured | None = None
    f_number: float | None = None
    light_nm: float | None = None
    temperature_C: float | None = None
    support: str | None = None
    trim_um: float | None = None

    def given(self) -> dict[str, Any]:
        """Only what was named in the message, nulls included, as plain values."""
        return self.model_dump(exclude_unset=True)


class SetupArgs(Args):
    """`rev` guards against another's change meanwhile; `follow` then drives to the new nominal, trim included."""

    rev: int | None = Field(default=None, ge=0)
    set: SetupValues
    follow: bool = False


class SweepArgs(Args):
    """A sweep about nominal, about where the carriage stands, or about an offset in um; `span_um` is end to end."""

    about: Literal["nominal", "here"] | float = "nominal"
    span_um: float | None = Field(default=None, gt=0.0, le=1e5)
    step_um: float | None = Field(default=None, gt=0.0, le=1e5)
    merit: Literal["auto", "edge", "star", "pairs", "meter", "eye"] = "auto"
    lp_mm: float | None = Field(default=None, gt=0.0, le=2000.0)
    repeats: int = Field(default=1, ge=1, le=100)
    mode: Literal["stepped", "continuous"] = "stepped"


class RunArgs(Args):
    """Start a procedure; with `dry` only say what it would do."""

    procedure: Name
    inputs: dict[str, Any] = Field(default_factory=dict)
    dry: bool = False


class OfRunArgs(Args):
    """Which run to pause, resume or abort."""

    run: Code


class AnswerArgs(Args):
    """The answer to a question of a procedure; a mark is the text `sharp`."""

    ask: Code
    value: bool | int | float | Text


class AcceptArgs(Args):
    """Put a calibration finding in force for so many days."""

    finding: Code
    days: int = Field(default=180, ge=1, le=3660)


class NoteArgs(Args):
    """A remark kept with a run."""

    run: Code
    text: Text


def _exactly_one(model: ModelT, *names: str) -> ModelT:
    given = [name for name in names if getattr(model, name) is not None]
    if len(given) != 1:
        raise ValueError(f"give exactly one of {', '.join(names)}; {len(given)} were given")
    return model
