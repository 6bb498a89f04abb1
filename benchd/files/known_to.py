"""Plausible ranges of stated standard uncertainties, by measured quantity.

A `u` below its floor is probably in another unit, or a resolution mistaken for an uncertainty. A floor lies one to two
decades below the best of the trade, so that no honest certificate is refused; `why` says what the best reach. Above its
ceiling a figure is no measurement any more.

Figures of the trade are common practice, no source, unless one is named.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from benchd.files.bounds import Within

More = Field(gt=0)

OfAdapter = Annotated[
    float, More, Within(0.01, 500.0, "um", why="a ring against gauge blocks is known to 0.2 µm at best")
]
OfReference = Annotated[
    float, More, Within(0.002, 50.0, "um", why="gauge blocks, by interferometry, are known to 0.02 µm at best")
]
"""What others are measured from is known better than what a workshop turns. ISO 3650 lets a block of the best grade
vary by 0.05 um over its face (value from memory)."""
OfBase = Annotated[
    float, More, Within(0.01, 20e3, "um", why="a length taken over by an indicator is known to 0.2 µm at best")
]
OfJoint = Annotated[float, More, Within(0.005, 100.0, "um", why="kinematic seats come together to 0.05 µm at best")]
OfThickness = Annotated[
    float, More, Within(1e-5, 10.0, "mm", why="a plate by a comparator is known to 0.0001 mm at best, by tape to 0.1")
]
OfGap = Annotated[float, More, Within(1e-5, 50.0, "mm", why="spacers are known to 0.0001 mm at best, by tape to 0.1")]
OfIndex = Annotated[float, More, Within(1e-7, 0.1, why="a prism of the melt tells 0.00001, the best of them 0.000001")]
"""ISO 21395-1 states its method, minimum deviation, as accurate within 1e-5; ASTM C1648 names 1e-6 as the utmost that
is asked for."""
OfFocalLength = Annotated[float, More, Within(1e-4, 500.0, "mm", why="a nodal slide tells 0.01 % at best")]
OfPrincipalGap = Annotated[float, More, Within(1e-3, 200.0, "mm", why="a design states it to 0.01 mm at best")]
OfPitch = Annotated[
    float, More, Within(1e-6, 20.0, "mm", why="a line scale by interferometry is known to 0.00002 mm at best")
]
OfTape = Annotated[float, Within(0.01, 500.0, "mm", why="a tape is read to 0.1 mm at best")]
OfRule = Annotated[float, Within(0.001, 100.0, "mm", why="a rule on a wall is read to 0.02 mm at best")]
OfMarkPitch = Annotated[float, Within(1e-5, 20.0, "mm", why="a printed scale is true to 0.0001 mm a bar at best")]
OfDistortion = Annotated[float, Within(1e-6, 0.05, why="pictures tell a way to 0.00003 of it at best")]
OfThermometer = Annotated[float, Within(0.01, 10.0, "K", why="the air about a bench is known to 0.05 K at best")]
OfVergence = Annotated[
    float, More, Within(1e-6, 0.1, "1/m", why="an autocollimator with a good flat tells 0.00005 1/m at best")
]

U_SCALE = Within(1e-8, 0.01, or_none=True, why="an interferometer in air tells 0.0000001 at best")
U_GAIN = Within(1e-6, 0.2, or_none=True, why="a gauge with a glass scale tells 0.00001 at best")
OF_DEVICES = {"u_scale": U_SCALE, "u_gain": U_GAIN}
"""Ranges of the uncertainties that drivers state for encoders and gauges, by key."""
OfScrew = Annotated[float, Within(1e-7, 0.05, or_none=True, why="a ground screw is true to 0.00001 at best")]
OfSteps = Annotated[float, Within(1e-3, 200.0, "um", or_none=True, why="a screw comes back to 0.05 µm at best")]
OfHoming = Annotated[float, Within(1e-3, 500.0, "um", or_none=True, why="a switch comes back to 0.1 µm at best")]
