"""Set a light."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Self

from pydantic import Field, model_validator

from benchd.verbs.arguments import Args, Code, Name, exactly_one
from benchd.verbs.entry import Entry, plain_text
from benchd.verbs.foreseen import OpenArgs
from benchd.verbs.result import Result
from benchd.verbs.verb import Need, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Order
    from benchd.verbs.view import BenchView

WAYS = ("level", "stops_by", "on")


class LightStepArgs(Args):
    """Exactly one of `level` (0 to 1), `stops_by` (change in photographic stops) and `on`; `for_s` ends it again."""

    light: Name = "target_light"
    level: float | None = Field(default=None, ge=0.0, le=1.0)
    stops_by: float | None = Field(default=None, ge=-20.0, le=20.0)
    on: bool | None = None
    for_s: float | None = Field(default=None, gt=0.0, le=86400.0)

    @model_validator(mode="after")
    def _one_setting(self) -> Self:
        return exactly_one(self, *WAYS)

    def lights_up(self) -> bool:
        """Whether it may be lit by this."""
        return bool(self.level or self.on or self.stops_by is not None)


class LightArgs(LightStepArgs):
    """A laser is lit by `hold`, a name of the client's own, and a `seq` that rises, sent again every 100 ms. It goes
    dark 300 ms after the last one, and `for_s` (60, at most 600) after the first; what has ended never revives."""

    hold: Code | None = None
    seq: int | None = Field(default=None, ge=0)

    @model_validator(mode="after")
    def _hold_whole(self) -> Self:
        if (self.hold is None) != (self.seq is None):
            raise ValueError("hold and seq belong together")
        if self.hold is not None and self.stops_by is not None:
            raise ValueError("stops_by: nothing for a light that is held on; give level or on")
        return self


class Level(Result):
    """What the light was set to, 0 to 1."""

    level: float


class Light(Verb[LightArgs | LightStepArgs]):
    """A run does not wait for `for_s`: the light is switched off in the background.

    A laser is lit by a hold alone, for which control and a beat are needed as for a motion; a stop voids both.
    """

    name = "light"
    does = "Set a light, or hold a laser on."
    args = LightArgs
    step = LightStepArgs
    result = Level
    control = beat = Need("with `hold`, to light", lambda args: args.hold is not None and args.lights_up())
    use = "light"
    beat_within_s = 1.5  # as of a jog: what was held up on its way for longer is nobody's hand any more
    of_runs_holder = makes_safe = True
    caution = (
        "Do not look into the light or the lens: bright LEDs hurt eyes, and so do lasers, whose beam a lens may gather "
        "and its surfaces throw back."
    )

    def named(self, args: LightArgs | LightStepArgs) -> Mapping[str, Sequence[str]]:
        return {"light": (args.light,)}

    def check(self, args: LightArgs | LightStepArgs, view: BenchView, open_args: OpenArgs) -> None:
        if "light" in open_args or not args.lights_up() or (isinstance(args, LightArgs) and args.hold is not None):
            return
        from benchd.bench.laser.pointer import Pointer, held_only

        if isinstance(view.device_for(self.use, args.light), Pointer):
            raise held_only(args.light)

    def still(self, args: LightArgs | LightStepArgs, view: BenchView) -> Entry:
        (key,) = (key for key in WAYS if getattr(args, key) is not None)
        dark = "" if args.for_s is None else f", dark again after {args.for_s:g} s"
        return Entry("light", f"{args.light} {key} {plain_text(getattr(args, key))}{dark}")

    async def carry_out(self, args: LightArgs | LightStepArgs, order: Order) -> dict[str, Any]:
        if isinstance(args, LightArgs) and args.hold is not None and args.seq is not None:
            held = await order.bench.lights.hold(
                args.light, level=args.level, on=args.on, hold=args.hold, seq=args.seq, for_s=args.for_s, by=order.user,
                since=order.since,
            )  # fmt: skip
            return {"level": held}
        set_to = await order.bench.lights.set(
            args.light, level=args.level, stops_by=args.stops_by, on=args.on, for_s=args.for_s, by=order.user
        )
        return {"level": set_to}
