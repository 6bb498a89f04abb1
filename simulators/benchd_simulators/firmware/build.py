"""How the firmware of the motion board was built: what no setting changes, and `$I` tells in part."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Build:
    """The defaults are those of a stock build.

    `origin_at_switch`: homing calls the place after its pull-off 0, and the machine's space lies on that side of it.
    `pwm`: the output is dimmed; without it, it is on or off, and reports tell no level. `homing_reports`: status
    queries are answered while it homes, as later firmwares do. `single_axes`: it knows `$H` with a letter behind it.
    """

    origin_at_switch: bool = False
    pwm: bool = True
    homing_reports: bool = False
    single_axes: bool = False

    @property
    def options(self) -> str:
        """The letters, planner blocks and receive buffer of `[OPT:`."""
        letters = ("V" if self.pwm else "") + ("Z" if self.origin_at_switch else "") + ("H" if self.single_axes else "")
        return f"{letters},15,128"
