"""Set exposure and gain."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from pydantic import Field

from benchd.verbs.arguments import Args, Name
from benchd.verbs.entry import Entry
from benchd.verbs.result import Result
from benchd.verbs.verb import ALWAYS, DETECTOR, Verb

if TYPE_CHECKING:
    from benchd.verbs.order import Command, Order
    from benchd.verbs.view import BenchView


class CameraArgs(Args):
    """Exposure in ms (20 where left out), gain as the camera counts it (1); a sweep sets its own."""

    camera: Name = DETECTOR
    exposure_ms: float | None = Field(default=None, gt=0.0, le=60_000.0)
    gain: float | None = Field(default=None, gt=0.0)


class Exposed(Result):
    """What the camera was really set to."""

    exposure_ms: float
    gain: float


class Camera(Verb[CameraArgs]):
    """Refused while a job runs, as a run sets its camera by its own steps. The answer says what was really set."""

    name = "camera"
    does = "Set a camera's exposure and gain."
    args = step = CameraArgs
    result = Exposed
    control = ALWAYS
    use = "expose"

    def named(self, args: CameraArgs) -> Mapping[str, Sequence[str]]:
        return {"camera": (args.camera,)}

    def still(self, args: CameraArgs, view: BenchView) -> Entry:
        return Entry("camera", ", ".join(f"{key} {value}" for key, value in args.given().items()))

    async def command(self, args: CameraArgs, order: Command) -> dict[str, Any]:
        order.bench.jobs.check_free()  # a sweep keeps one exposure
        return await super().command(args, order)

    async def carry_out(self, args: CameraArgs, order: Order) -> dict[str, Any]:
        from benchd.devices import Camera as CameraDevice

        camera = order.bench.assembly.named(args.camera, CameraDevice)
        exposure = await camera.configure(args.exposure_ms or 20.0, args.gain or 1.0)
        return {"exposure_ms": exposure.exposure_ms, "gain": exposure.gain}
