"""How a camera answers to light, held against what is stated of its curve."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd.detectors.edge.pictures import exposure_in
from benchd.detectors.values import Gear, Unusable
from benchd.devices import Camera, Exposure
from benchd.imaging.level import answer_slope, answer_to_light, tells, whole_periods

SLOPE_WITHIN, PROBE = 0.15, 0.6
"""How near the answer's slope has to be to that of the stated curve, as a share of it; and the share of a good exposure
that tells it."""

GAIN_S, DRIFT_WITHIN = 3.0, 0.1
"""How long a camera that turns its own gain is given to do it once the light was dimmed; and how far its answer may go
meanwhile, as a share of the slope. With both, a gain that takes 25 s is still seen (time constant)."""

MANY_PULSES = 30
"""In an exposure: a part of one more or less is then 3 % of its light at the most, 7 % of the answer's slope."""

SAME_LEVEL = 0.05
"""Levels of a light that differ by less, relative, tell the same."""

OWN_WILL = (
    "The camera's brightness does not go with its exposure, or the light, as its stated curve has it: it turns its own "
    "gain or exposure, or has another curve. Its pictures are not taken to be linear. Lock what it does by itself, and "
    "state `linear` or `gamma` as measured."
)
_NOTHING = "What is stated of the camera's curve was held against nothing: its exposure is locked, and "
HELD_AGAINST_NOTHING = (
    _NOTHING + "only its brightness at another one would tell, or at another level of a light that is known to be "
    "dimmed by pulses (`pwm_hz`)."
)
FIELD_TELLS_NOTHING = (
    _NOTHING + "its bright field, too bright or too dark, would not tell with the light dimmed either. Set light or "
    "iris so that it stands between 25 and 88 % of full scale."
)
LIGHT_TOLD_NOTHING = (
    _NOTHING + "the light was dimmed and put out for it, but those pictures told nothing. That is tried again only at "
    "another level of the light."
)


class Answers:
    """What a camera's pictures told of its curve so far, and what they could not."""

    def __init__(self, gear: Gear, camera: Camera) -> None:
        self._gear, self._camera = gear, camera
        self._gamma = camera.spec.gamma or 1.0
        self._slope: float | None = None
        self._drifts = False
        self._told_nothing_at: float | None = None
        self._why_untold = HELD_AGAINST_NOTHING

    @property
    def exposure_locked(self) -> bool:
        low_high = self._camera.spec.exposure_range_ms
        return low_high is not None and low_high[0] == low_high[1]

    @property
    def as_stated(self) -> bool:
        """Whether nothing speaks against what is stated of the camera's curve."""
        return self._slope is None or (abs(self._slope * self._gamma - 1.0) <= SLOPE_WITHIN and not self._drifts)

    @property
    def flags(self) -> tuple[str, ...]:
        """What a finding from pictures that are stated to be linear is told."""
        if not self.as_stated:
            return (OWN_WILL,)
        return (self._why_untold,) if self.exposure_locked and self._slope is None else ()

    async def see(
        self,
        seen: Sequence[tuple[float, float]],
        set_to: Exposure,
        pulses_hz: float | None,
        low_ms: float,
        high_ms: float,
    ) -> Exposure:
        """Go by how bright the pictures were at their exposures (ms, shares of full scale; the last at `set_to`); where
        they were too much alike, and none have told yet, by one that is darker. Returns the exposure set then."""
        slope = answer_slope(seen)
        if (self._camera.spec.linear or self._camera.spec.gamma is not None) and self._slope is None:
            if self.exposure_locked:
                slope = await self._to_light(seen[-1][1], set_to)
            elif slope is None:
                probe_ms = whole_periods(PROBE * set_to.exposure_ms, pulses_hz, low_ms, high_ms)
                probed = await self._camera.configure(probe_ms, 1.0)
                share = await self._bright_field()
                set_to = await self._camera.configure(set_to.exposure_ms, 1.0)
                if share is not None:
                    slope = answer_slope([*seen, (probed.exposure_ms, share)])
        self._slope = self._slope if slope is None else slope
        return set_to

    async def _to_light(self, bright: float, exposure: Exposure) -> float | None:
        """The same where the exposure is locked, by the target's light, if its level is known to go with its light:
        where it is dimmed by pulses, which have one height and differ in length, and an exposure takes many."""
        light, darkened = self._gear.light, self._gear.darkened
        self._why_untold = HELD_AGAINST_NOTHING
        if light is None or darkened is None or light.spec.pwm_hz is None:
            return None
        level = await light.level()
        if level == 0.0 or light.spec.pwm_hz * exposure.exposure_ms / 1000.0 < MANY_PULSES:
            return None
        if not tells(bright, PROBE):
            self._why_untold = FIELD_TELLS_NOTHING
            return None
        self._why_untold = LIGHT_TOLD_NOTHING
        if self._told_nothing_at is not None and math.isclose(level, self._told_nothing_at, rel_tol=SAME_LEVEL):
            return None
        async with darkened(PROBE):
            share = await light.level() / level
            at_once = await self._bright_field()
            await self._gear.clock.sleep(GAIN_S)
            later = await self._bright_field()
        async with darkened(0.0):
            dark = await self._bright_field()
        if at_once is not None and later is not None and dark is not None:
            first, slope = (answer_to_light(bright, one, dark, share, self._gamma) for one in (at_once, later))
            if first is not None and slope is not None:
                self._drifts = abs(slope - first) * self._gamma > DRIFT_WITHIN
                return slope
        self._told_nothing_at = level
        return None

    async def _bright_field(self) -> float | None:
        """As a share of full scale, of a picture taken now; None if it cannot be read."""
        judged = await self._gear.analysis.run(exposure_in, (await self._camera.grab()).data)
        return None if isinstance(judged, Unusable) else judged.fraction
