"""Set a light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

from pydantic import Field, model_validator

from benchd.verbs.arguments import Args, Name, exactly_one
from benchd.verbs.entry import Entry, plain_text
from benchd.verbs.result import Result
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Order
    from benchd.verbs.view import BenchView

WAYS = ("level", "stops_by", "on")


class LightArgs(Args):
    """Exactly one of `level` (0 to 1), `stops_by` (change in photographic stops) and `on`; `for_s` ends it again."""

    light: Name = "target_light"
    level: float | None = Field(default=None, ge=0.0, le=1.0)
    stops_by: float | None = Field(default=None, ge=-20.0, le=20.0)
    on: bool | None = None
    for_s: float | None = Field(default=None, gt=0.0, le=86400.0)

    @model_validator(mode="after")
    def _one_setting(self) -> Self:
        return exactly_one(self, *WAYS)


class Level(Result):
    """What the light was set to, 0 to 1."""

    level: float


class Light(Verb[LightArgs]):
    """A run does not wait for `for_s`: the light is switched off in the background."""

    name = "light"
    does = "Set a light; while a run is under way it is its holder's alone."
    args = step = LightArgs
    result = Level
    use = "light"
    of_runs_holder = makes_safe = True
    caution = "Do not look into the light or the lens: bright LEDs hurt eyes."

    def named(self, args: LightArgs) -> Mapping[str, Sequence[str]]:
        return {"light": (args.light,)}

    def still(self, args: LightArgs, view: BenchView) -> Entry:
        (key,) = (key for key in WAYS if getattr(args, key) is not None)
        dark = "" if args.for_s is None else f", dark again after {args.for_s:g} s"
        return Entry("light", f"{args.light} {key} {plain_text(getattr(args, key))}{dark}")

    async def carry_out(self, args: LightArgs, order: Order) -> dict[str, Any]:
        set_to = await order.bench.lights.set(
            args.light, level=args.level, stops_by=args.stops_by, on=args.on, for_s=args.for_s, by=order.user
        )
        return {"level": set_to}
