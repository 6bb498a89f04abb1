"""What the bench file says of a meter behind a slit, and where one tells nothing."""

from __future__ import annotations

import math
from typing import Annotated, Self

from pydantic import Field, model_validator

from benchd.detectors.available import REFERENCE
from benchd.files.bounds import Within, beside
from benchd.files.loading import LoadedBench
from benchd.files.names import Record
from benchd.files.problems import Problem

ALIKE = 0.01
"""By how much two slits may differ in width. Where one is twice as wide the top is flat and the peak ill-defined, by
15 um with a wave of spherical aberration. At 2 % it is off by 0.2 um at f/2 and 25 um, with half a wave, which no
interval would hold; what 1 % leaves is in `U_OF_FAMILY` (own computation)."""

TARGET_LIGHT, AUTOCOLLIMATION = "target_light", "autocollimation"


class MeterKeys(Record):
    """The slit before the photodiode, with the standard uncertainty of its width. The light comes from the same slit,
    on its way out, or from another of `source_slit_um`.

    `settle_ms` is how long the amplifier takes to come to rest, lamp and carriage being so. A meter that measures by
    itself tells a new value each `integration_ms`; of one that begins when it is asked that is 0. A point is the mean
    of `readings`, the level without light that of `dark_readings`. `full_scale` is what the meter or its amplifier can
    tell at most, `resolution` the step of its display, both in its own unit. Without a meter in the role
    `lamp_reference` the sweep goes back to the sharpest place after each `return_every` stations.
    """

    slit_um: Annotated[float, Within(2.0, 500.0, "um")]
    u_slit_um: Annotated[float, Field(gt=0), Within(0.01, 20.0, "um", why="a microscope tells a slit to 0.05 µm")]
    source_slit_um: Annotated[float, Within(2.0, 500.0, "um")] | None = None
    u_source_slit_um: Annotated[float, Field(gt=0), Within(0.01, 20.0, "um")] | None = None
    settle_ms: Annotated[float, Within(0.1, 10e3, "ms", or_none=True)]
    integration_ms: Annotated[float, Within(0.01, 10e3, "ms", or_none=True)] = 0.0
    readings: Annotated[int, Field(ge=2, le=100)] = 4
    dark_readings: Annotated[int, Field(ge=8, le=1000)] = 16
    full_scale: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    resolution: Annotated[float, Field(gt=0, allow_inf_nan=False)] | None = None
    return_every: Annotated[int, Field(ge=1, le=20)] | None = None

    @model_validator(mode="after")
    def _slits(self) -> Self:
        beside(self.u_slit_um, self.slit_um, "slit_um", "u_slit_um")
        if (self.source_slit_um is None) != (self.u_source_slit_um is None):
            raise ValueError("u_source_slit_um: source_slit_um and its standard uncertainty belong together")
        if self.source_slit_um is None or self.u_source_slit_um is None:
            return self
        beside(self.u_source_slit_um, self.source_slit_um, "source_slit_um", "u_source_slit_um")
        if abs(self.source_slit_um / self.slit_um - 1.0) > ALIKE:
            raise ValueError(
                f"source_slit_um: the slit widths differ, {self.source_slit_um:g} and {self.slit_um:g} um: the curve "
                f"then has a flat top and no peak to speak of. Take slits within {ALIKE:.0%} of each other, or one for "
                "both ways"
            )
        apart = math.hypot(self.u_slit_um / self.slit_um, self.u_source_slit_um / self.source_slit_um)
        if apart > ALIKE:
            raise ValueError(
                f"u_source_slit_um: the two slits are known to {apart:.1%} of each other, and have to be alike to "
                f"{ALIKE:.0%}. Measure them closer, or take one for both ways"
            )
        return self

    @property
    def u_rel(self) -> float:
        """Relative standard uncertainty of the slits' width, the larger of both."""
        other = 0.0 if self.source_slit_um is None else (self.u_source_slit_um or 0.0) / self.source_slit_um
        return max(self.u_slit_um / self.slit_um, other)


def problems_of(keys: MeterKeys, loaded: LoadedBench) -> list[Problem]:
    """What of a meter's section does not go with the rest of the bench."""
    at, roles, found = ("detectors", "meter"), loaded.file.roles, []
    if loaded.file.arrangement.kind != AUTOCOLLIMATION:
        found.append(
            loaded.source.problem(
                at,
                f"nothing on a bench of arrangement {loaded.file.arrangement.kind}: the image of a slit far away is as "
                "wide as each lens's magnification makes it, so that its slit would have to be set anew to each lens. "
                f"In {AUTOCOLLIMATION} it comes back as wide as it is",
            )
        )
    if TARGET_LIGHT not in roles:
        wanted = f"a bench with a light in the role {TARGET_LIGHT}: it is put out for the reading without light"
        found.append(loaded.source.problem(at, wanted))
    if (REFERENCE in roles) == (keys.return_every is not None):
        both = REFERENCE in roles
        wanted = (
            f"nothing where a meter has the role {REFERENCE}: by that the lamp's drift is taken off"
            if both
            else f"a number of stations, or a meter in the role {REFERENCE}: a lamp that drifts moves the peak, and by "
            "one of these it is told from the curve"
        )
        found.append(loaded.source.problem((*at, "return_every"), wanted))
    return found
