"""A photodiode behind a chopper grating of fixed pitch on the carriage, as a detector of benchd.

The image of the target's pattern runs over the grating; how much the light behind it swings is the contrast of that
image at the grating's one frequency. The diode's amplifier tells the swing in volts, one number a line: a `Meter`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import fmean, variance
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, ClassVar

from pydantic import BaseModel, ConfigDict, Field

from benchd.detectors.detector import Detector
from benchd.detectors.values import Capture, Gear, Glance, Measured, Seen, Unusable
from benchd.devices import Meter
from benchd.errors import Refused
from benchd.metrology.drawn import Drawn, Stratum

if TYPE_CHECKING:
    import numpy as np


class Keys(BaseModel):
    """The grating's frequency (lp/mm) and its standard uncertainty; how many readings make a point."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
    lp_mm: float = Field(gt=0.0, le=2000.0)
    u_lp_mm: float = Field(ge=0.0)
    readings: int = Field(default=8, ge=4, le=1000)


class Chopper(Detector):
    name = "chopper"
    device = Meter
    channels = ("swing",)
    unit = "V"
    quantity = "Swing behind the chopper"
    legends: ClassVar = {"swing": "photodiode"}
    Config = Keys

    def __init__(self, gear: Gear) -> None:
        super().__init__(gear)
        self._keys: Keys = gear.config
        self._meter: Any = gear.device
        self._u = math.nan

    @property
    def point_s(self) -> float:  # type: ignore[override]
        return 0.01 * self._keys.readings

    def frequency(self, asked: float | None) -> float:
        if asked is not None and not math.isclose(asked, self._keys.lp_mm):
            text = f"The chopper has {self._keys.lp_mm:g} lp/mm and no other; {asked:g} were asked for."
            raise Refused("bad_request", text, advice="Leave lp_mm away.")
        return self._keys.lp_mm

    async def prepare(self) -> None:
        if self._meter.unit != self.unit:
            text = f"The chopper's readings are in V; {self.gear.name} tells {self._meter.unit or 'no unit'}."
            raise Refused("bad_request", text, advice="State unit, scale and offset of that device.")

    async def capture(self) -> Capture:
        """So many readings, one after the other."""
        taken = [await self._meter.read() for _ in range(self._keys.readings)]
        middle = taken[len(taken) // 2]
        values = [one.value for one in taken if one.quality == "good"]
        return Capture(values, fmean(one.t_mono for one in taken), middle.t_utc)

    async def glance(self, capture: Capture, lp_mm: float) -> Glance | Unusable:
        return self._unusable(capture) or Glance(max(fmean(capture.data), 0.0))

    async def settle_on(self, best: Seen, within: Sequence[Seen], lp_mm: float) -> float:
        """One u for all points, pooled over those of the look: the scatter of few readings is itself hardly known."""
        pooled = fmean(variance(one.capture.data) for one in (within or [best]))
        self._u = math.sqrt(pooled / self._keys.readings)
        return self._keys.u_lp_mm / self._keys.lp_mm

    async def measure(self, capture: Capture) -> Measured | Unusable:
        if self._u == 0.0:
            return Unusable("frozen", "The photodiode's readings do not scatter at all.", "Look at its amplifier.")
        return self._unusable(capture) or Measured({"swing": (fmean(capture.data), self._u)})

    @classmethod
    def strata(cls) -> Mapping[str, Stratum]:
        return {"swing": swing}

    def _unusable(self, capture: Capture) -> Unusable | None:
        bad = self._keys.readings - len(capture.data)
        return Unusable("bad", f"{bad} readings of the photodiode are bad.", "Look at its amplifier.") if bad else None


LOOKS = 6


def swing(rng: np.random.Generator) -> Drawn:
    """A case of the accuracy study: a true swing, read through an amplifier's noise as a sweep would have it read."""
    from scipy.stats import t as student

    truth, noise = float(rng.uniform(0.1, 1.5)), float(rng.uniform(0.001, 0.02))

    class Diode:
        unit = "V"

        async def read(self) -> Any:
            value = truth + noise * float(rng.standard_normal())
            return SimpleNamespace(value=value, quality="good", t_mono=0.0, t_utc="")

    keys = Keys(lp_mm=30.0, u_lp_mm=0.01)
    gear: Any = SimpleNamespace(device=Diode(), config=keys, name="diode")
    chopper = Chopper(gear)

    async def measured() -> tuple[float, float]:
        await chopper.prepare()
        seen: list[Any] = [SimpleNamespace(capture=await chopper.capture()) for _ in range(LOOKS)]
        await chopper.settle_on(seen[0], seen, keys.lp_mm)
        found = await chopper.measure(await chopper.capture())
        assert isinstance(found, Measured)
        return found.values["swing"]

    value, u = _at_once(measured())
    return Drawn(value, u, float(student.ppf(0.975, LOOKS * (keys.readings - 1))) * u, truth)


def _at_once(work: Any) -> Any:
    """The result of a coroutine that waits for nothing."""
    try:
        work.send(None)
    except StopIteration as done:
        return done.value
    raise RuntimeError("it waits for something")
