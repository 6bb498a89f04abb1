"""What a bench file says of a device of lines: what it is asked, the pattern of its answer, and what the number is."""

from __future__ import annotations

import re
from typing import Literal, Self

from pydantic import ConfigDict, Field, model_validator

from benchd.devices import Contacts
from benchd_drivers.line_text import Checksum, Pattern
from benchd_drivers.meter_range import ScaleConfig

_KIND_OF = {"position": "scale", "length": "contact gauge", "gauge": "contact gauge", "switch": "switch"}
"""What a quantity makes of the device; anything else is a meter."""

_BELONGS = {
    "um_per_unit": ("scale", "contact gauge"),
    "resolution_um": ("scale", "contact gauge"),
    **dict.fromkeys(
        ("subdivision_um", "period_um", "u_scale", "alpha_per_K", "reference_ask", "reference_pattern"), ("scale",)
    ),
    **dict.fromkeys(("range_um", "hysteresis_um", "u_gain", "grows"), ("contact gauge",)),
    **dict.fromkeys(("unit", "scale", "offset"), ("meter",)),
    **dict.fromkeys(("low", "high"), ("scale", "meter")),
    "contacts": ("switch",),
}
"""Keys that only some kinds go by."""


class LineConfig(ScaleConfig):
    """`ask` is written with `terminator`; `pattern` has one group, the number. `quantity` says what the device is.

    Without `ask` the device sends its lines by itself, and the number is that of the first one which was begun after
    the reading was asked for. `checksum` is a check that each line carries behind a `*`: without it, or where it does
    not fit, the line is damaged.

    `position` makes it an encoder, `length` or `gauge` a contact gauge, both scaled by `um_per_unit`; `switch` a
    switch, whose number is 1 while its circuit is closed and 0 while it is open; anything else a meter in `unit`, whose
    value is `scale` times the number plus `offset`.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    ask: str | None = Field(default=None, min_length=1, max_length=200)
    terminator: str = Field(default="\n", min_length=1, max_length=4)
    pattern: Pattern
    checksum: Checksum | None = None
    timeout_s: float = Field(default=0.3, gt=0, le=30)
    um_per_unit: float = Field(default=1.0, allow_inf_nan=False)

    resolution_um: float = Field(default=1.0, gt=0)
    subdivision_um: float | None = Field(default=None, ge=0)
    period_um: float | None = Field(default=None, gt=0)
    u_scale: float | None = Field(default=None, ge=0)
    alpha_per_K: float | None = None
    reference_ask: str | None = None
    reference_pattern: Pattern | None = None

    range_um: tuple[float, float] | None = None
    hysteresis_um: float | None = Field(default=None, ge=0)
    u_gain: float | None = Field(default=None, ge=0)
    grows: Literal["deeper", "shallower"] | None = None

    contacts: Contacts | None = None

    identity_ask: str | None = None
    identity_pattern: Pattern | None = None

    @model_validator(mode="after")
    def _asked_or_not(self) -> Self:
        if self.ask is None:
            if self.identity_ask is not None or self.reference_ask is not None:
                raise ValueError("identity_ask and reference_ask: nothing for a device that is not asked; give `ask`")
            if not self.terminator.endswith("\n"):
                raise ValueError("terminator: a device that sends by itself has to end its lines in a line feed")
        return self

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if re.compile(self.pattern).groups != 1:
            raise ValueError("pattern needs exactly one group (...), the number")
        if self.um_per_unit == 0:
            raise ValueError("um_per_unit must not be 0")
        if (self.reference_ask is None) != (self.reference_pattern is None):
            raise ValueError("reference_ask and reference_pattern belong together")
        if (self.identity_ask is None) != (self.identity_pattern is None):
            raise ValueError("identity_ask and identity_pattern belong together")
        if self.quantity in ("length", "gauge") and self.range_um is None:
            raise ValueError(f"quantity {self.quantity} (a contact gauge) needs range_um")
        if self.quantity == "switch" and self.contacts is None:
            raise ValueError(
                "a switch needs contacts: normally_closed (its circuit opens when it is acted on) or normally_open"
            )
        if self.quantity in ("length", "gauge") and self.um_per_unit < 0:
            raise ValueError(
                "um_per_unit of a contact gauge is above 0; one that counts the other way `grows: shallower`"
            )
        if self.range_um is not None and not self.range_um[0] < self.range_um[1]:
            raise ValueError("range_um: the first value must be below the second")
        kind = _KIND_OF.get(self.quantity, "meter")
        for key in self.model_fields_set:
            if key in _BELONGS and kind not in _BELONGS[key]:
                kinds = " or ".join(_BELONGS[key])
                raise ValueError(
                    f"{key}: nothing here; it belongs to a {kinds}, and quantity {self.quantity} is a {kind}"
                )
        return self
