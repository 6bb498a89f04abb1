"""The strata of the accuracy study: one factor at a time about a reference case."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from benchd_simulators.world.schema import UnevenRecord


@dataclass(frozen=True, slots=True)
class Light:
    """How much light there is.

    `noise` is the standard deviation of one picture's modulation (both orientations averaged) over the peak's, for
    strata whose readings come from the optics; `electrons` the most of the bright field in one pixel and
    `full_well_e`, `bits`, `offset`, `knee` the camera's, for strata of rendered pictures. Its exposure may be `fixed`,
    on light that is then anywhere within `spread` (relative) of `electrons`.
    """

    noise: float
    electrons: float = 14000.0
    full_well_e: float = 20000.0
    bits: int = 12
    offset: int = 500
    knee: float | None = None
    fixed: bool = False
    spread: float = 0.0


AMPLE = Light(0.003)
MEDIUM = Light(0.02)
POOR = Light(0.075)  # 42 readings inside the window then predict U = 0.13 half-widths; the gate is at 0.15
POOR_PICTURES = Light(0.03, electrons=450.0, full_well_e=2000.0, bits=8, offset=2000)
"""A swing of 19 sd where the light is least; the gate is at 16."""
NEAR_FULL = Light(0.003, electrons=21200.0, knee=0.8, fixed=True, spread=0.11)
"""The bright field reads 90 to 97 % of full scale, where the camera bends and cuts nothing off."""


QUITE_UNEVEN = UnevenRecord(
    field_deg=25.0, vignetting=0.12, off_centre_px=60.0, gradient=0.2, lamp_image=0.08, lamp_image_px=120.0
)


@dataclass(frozen=True, slots=True)
class Doubts:
    """How sure the bench's own figures are: what its files state and its world is drawn by, None as they are shipped.

    Standard uncertainties: of a joint, of the setting ring and of the collimator's vergence; of the plate's thickness
    and index; of scale and gauge, relative; of the thermometer. `bounds`: so many times what is stated of a carriage
    that tips and of seats that sag, stand off and are not plane. `typed_C` is the span of rooms, `ring_at_C` the
    temperature at which the ring's certificate holds.
    """

    joint_um: float | None = None
    ring_um: float | None = None
    vergence_per_m: float | None = None
    plate_mm: float | None = None
    plate_index: float | None = None
    scale: float | None = None
    gain: float | None = None
    hysteresis_um: float | None = None
    thermometer_K: float | None = None
    bounds: float = 1.0
    typed_C: tuple[float, float] = (18.5, 23.5)
    ring_at_C: float = 20.0


QUIET = Doubts(joint_um=0.05, ring_um=0.1, vergence_per_m=2e-5, plate_mm=1e-4, plate_index=2e-5, bounds=0.2)
"""What is large on the shipped bench is small here, so that a line which is small there counts."""


FOLDERS = {
    "wall": "workshop",
    "collimated": "workshop-collimated",
    "collimator_reticle": "workshop-reticle",
    "autocollimation": "workshop-autocollimation",
}


@dataclass(frozen=True, slots=True)
class Timing:
    """A continuous sweep's clocks: captures a second, each over so long; stamps late by up to `late_s`, scattered by
    `jitter_s` (standard deviation) and drifting by up to `drift` (relative), a share of captures `dropped`; and the
    relative amplitude of the ripple of the speed."""

    rate_hz: float = 60.0
    exposed_s: float = 0.006
    late_s: float = 0.03
    jitter_s: float = 0.0005
    drift: float = 100e-6
    dropped: float = 0.0
    ripple: float = 0.02


@dataclass(frozen=True, slots=True)
class Stratum:
    """One stratum. `w040_waves` is the mean of the lens's spherical aberration, drawn within +-20 % (or 0.1 wave).

    `ring` may stand at a mark, in metres; a target is `covered` by a plate, with `air_behind` it or none.

    `inside` is the number of stations of a single pass that the fit's window holds; None is the bench's own choice
    of stations, `repeats` passes. `tape` says whether the magnification was measured on the wall, `seat` whether
    zero was found on the adapter's seat, and not by base and adapter; `set_tube` whether the collimator was set by
    autocollimation; `marks` whether m is told by marks on the wall, `walls` whether the gap between the principal
    planes was found at two; `toggled` whether the plate's own shift was found, put out and in; `period_stated`
    whether the bench file says with which period the scale's subdivision repeats; `carefully` whether zero was
    found with twice as many remountings, on a seat known from before, and plate and tube with twice as many passes
    and settings; `seatings` how often the lens is seated and measured; `more` how many passes are taken beside the
    first where the verdict is undecided, as `flange_check` offers; `as_needed` the most that are taken, one by one,
    as long as the finding says that it is worth it, as `next_lens` does. The lens is off by `off_um`, and evenly up
    to `far_um` beside where given; else by what the world's file draws. A `cautious` stratum is ruled by a line
    that comes of a bound alone, and what is drawn keeps well within: its intervals are too wide, as they have to be
    where a bound is all that is known. Light over a rendered picture is drawn as for the shipped bench, or by
    `uneven`. `better` names an input as advice does (`study_better.py`), and the share of its uncertainty that is
    left: files and world with it, all else drawn alike. Sweeps are continuous where `timing` says how.
    """

    name: str
    f_number: float = 2.0
    w040_waves: float = 0.25
    light: Light = AMPLE
    repeats: int = 5
    inside: int | None = None
    arrangement: Literal["wall", "collimated", "collimator_reticle", "autocollimation"] = "wall"
    tape: bool = True
    seat: bool = False
    set_tube: bool = False
    marks: bool = False
    walls: bool = False
    toggled: bool = False
    period_stated: bool = False
    carefully: bool = False
    seatings: int = 1
    more: int = 0
    as_needed: int = 0
    off_um: float = 0.0
    far_um: float | None = None
    rendered: bool = False
    uneven: UnevenRecord | None = None
    ring: Literal["infinity", "hard_stop"] | float = "infinity"
    covered: bool = False
    air_behind: bool = False
    doubts: Doubts = Doubts()
    cautious: bool = False
    timing: Timing | None = None
    better: tuple[str, float] | None = None

    @property
    def folder(self) -> str:
        """Of configs/ and of the worlds that ship: where such a bench stands."""
        return FOLDERS[self.arrangement]

    @property
    def fixed(self) -> bool:
        """Whether the sensor stands fixed, its depth without a carriage in it, and no plate before it."""
        return self.arrangement == "collimator_reticle"


REFERENCE = Stratum("reference")
NEXT_LENS = replace(REFERENCE, name="next lens", repeats=1, as_needed=5)
ALL_COLLIMATED = replace(
    REFERENCE,
    name="all of a collimator",
    arrangement="collimated",
    seat=True,
    toggled=True,
    set_tube=True,
    period_stated=True,
    carefully=True,
)
ALL_QUIET = Stratum("all quiet", arrangement="collimated", repeats=3, doubts=QUIET)

PASSES = replace(REFERENCE, name="passes", repeats=1, timing=Timing())
QUIET_PASSES = replace(ALL_QUIET, name="quiet passes", repeats=1, timing=Timing())

STRATA: dict[str, Stratum] = {
    one.name: one
    for one in (
        REFERENCE,
        replace(REFERENCE, name="f/1.4", f_number=1.4),
        replace(REFERENCE, name="f/2.8", f_number=2.8),
        replace(REFERENCE, name="f/4", f_number=4.0),
        replace(REFERENCE, name="f/5.6", f_number=5.6),
        replace(REFERENCE, name="f/8", f_number=8.0),
        replace(REFERENCE, name="no spherical", w040_waves=0.0),
        replace(REFERENCE, name="one wave", w040_waves=1.0),
        replace(REFERENCE, name="medium light", light=MEDIUM),
        replace(REFERENCE, name="poor light", light=POOR),
        replace(REFERENCE, name="9 points", repeats=1, inside=9),
        replace(REFERENCE, name="21 points", repeats=1, inside=21),
        replace(REFERENCE, name="41 points", repeats=1, inside=41),
        replace(REFERENCE, name="collimated", arrangement="collimated"),
        replace(REFERENCE, name="reticle", arrangement="collimator_reticle"),
        replace(REFERENCE, name="mirror", arrangement="autocollimation"),
        replace(REFERENCE, name="wall without tape", tape=False),
        replace(REFERENCE, name="five more", arrangement="collimated", light=POOR, more=5),
        replace(REFERENCE, name="far off", far_um=300.0),
        replace(REFERENCE, name="zero on the seat", seat=True),
        replace(REFERENCE, name="zero on the seat collimated", arrangement="collimated", seat=True),
        replace(REFERENCE, name="collimator set", arrangement="collimated", seat=True, set_tube=True),
        replace(ALL_QUIET, name="quiet seat", seat=True),
        replace(REFERENCE, name="marks", marks=True),
        replace(REFERENCE, name="two walls", marks=True, walls=True),
        replace(REFERENCE, name="seat and two walls", seat=True, marks=True, walls=True),
        replace(REFERENCE, name="plate out and in", seat=True, arrangement="collimated", toggled=True),
        replace(
            REFERENCE,
            name="all of a wall",
            seat=True,
            marks=True,
            walls=True,
            toggled=True,
            period_stated=True,
            carefully=True,
        ),
        ALL_COLLIMATED,
        replace(ALL_COLLIMATED, name="two seatings", seatings=2),
        replace(ALL_COLLIMATED, name="three seatings", seatings=3),
        NEXT_LENS,
        replace(NEXT_LENS, name="next lens f/8", f_number=8.0),
        replace(NEXT_LENS, name="next lens medium light", light=MEDIUM),
        replace(NEXT_LENS, name="next lens collimated", arrangement="collimated"),
        ALL_QUIET,
        replace(ALL_QUIET, name="warm room", doubts=replace(QUIET, typed_C=(26.0, 32.0), ring_at_C=23.0)),
        replace(ALL_QUIET, name="old thermometer", doubts=replace(QUIET, thermometer_K=1.5)),
        replace(ALL_QUIET, name="long scale", doubts=replace(QUIET, scale=1e-4)),
        replace(ALL_QUIET, name="doubtful plate", doubts=replace(QUIET, plate_index=5e-3)),
        replace(ALL_QUIET, name="worn carriage and seats", doubts=replace(QUIET, bounds=4.0)),
        replace(ALL_QUIET, name="worn gauge", doubts=replace(QUIET, gain=0.01, hysteresis_um=3.0)),
        PASSES,
        replace(PASSES, name="passes f/1.4", f_number=1.4),
        replace(PASSES, name="passes f/8", f_number=8.0),
        replace(PASSES, name="passes one wave", w040_waves=1.0),
        replace(PASSES, name="passes medium light", light=MEDIUM),
        replace(PASSES, name="passes jitter", timing=Timing(jitter_s=0.004)),
        replace(PASSES, name="passes late and rippling", timing=Timing(late_s=0.1, ripple=0.1)),
        replace(PASSES, name="passes losing frames", timing=Timing(dropped=0.25)),
        QUIET_PASSES,
        replace(QUIET_PASSES, name="quiet passes drifting", timing=Timing(drift=500e-6, exposed_s=0.01)),
        replace(REFERENCE, name="rendered", rendered=True),
        replace(REFERENCE, name="rendered uneven", rendered=True, uneven=QUITE_UNEVEN),
        replace(
            ALL_QUIET,
            name="rendered near full scale",
            f_number=5.6,
            w040_waves=1.0,
            light=NEAR_FULL,
            repeats=1,
            inside=10,
            rendered=True,
            cautious=True,
        ),
        replace(
            REFERENCE,
            name="rendered f/2.8 poor",
            f_number=2.8,
            light=POOR_PICTURES,
            repeats=1,
            inside=10,
            rendered=True,
        ),
    )
}

QUICK: dict[str, int] = {
    "reference": 100,
    "f/1.4": 100,
    "f/8": 100,
    "one wave": 100,
    "poor light": 140,
    "9 points": 100,
    "reticle": 100,
    "mirror": 100,
    "wall without tape": 100,
    "far off": 100,
    "zero on the seat": 100,
    "seat and two walls": 100,
    "collimator set": 100,
    "plate out and in": 100,
    "three seatings": 100,
    "quiet seat": 100,
    "next lens": 100,
    "next lens f/8": 100,
    "all quiet": 100,
    "quiet passes": 100,
    "warm room": 100,
    "long scale": 100,
    "doubtful plate": 100,
    "worn carriage and seats": 100,
    "worn gauge": 100,
}
"""The quick form: strata with cases enough to see a missing or doubled budget line, one that is small elsewhere too."""
