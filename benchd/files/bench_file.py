"""The bench file: devices and their roles, arrangement, and the bench's own figures."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field, model_validator

from benchd.files import known_to
from benchd.files.artefacts import Celsius, Cover, Dof, Expansion, Positive, Shim
from benchd.files.bounds import Within, beside
from benchd.files.mqtt_section import Mqtt
from benchd.files.names import Name, Record, RecordId

Role = Literal[
    "carriage",
    "position",
    "target_light",
    "lamp_reference",
    "detector",
    "indicator",
    "focus_ring",
    "iris_ring",
    "zoom_ring",
    "turn",
    "pointer",
    "level",
    "range",
    "temperature",
    "barrel_view",
    "emergency_stop",
    "hands_in",
]

_STORE = re.compile(r"sqlite:///([^?]*/)?(?!\.{1,2}$|:memory:$)[^?/]+")
"""A plain file only: a host or options would be silently ignored, and a record must outlive the daemon."""
_ZONE = re.compile(r"[A-Za-z0-9_+-]+(/[A-Za-z0-9_+-]+)*")


def _time_zone(text: str) -> str:
    from zoneinfo import ZoneInfo

    wrong = "a time zone such as Europe/Paris or UTC"
    if not _ZONE.fullmatch(text):
        raise ValueError(wrong)
    try:
        ZoneInfo(text)
    except (KeyError, OSError, ValueError) as error:
        # UTC is accepted even on a machine without time zone data.
        if text != "UTC":
            raise ValueError(wrong) from error
    return text


def store_url(text: str) -> str:
    """The text if it is the URL of an SQLite file. Raises ValueError saying what is allowed."""
    if not _STORE.fullmatch(text):
        raise ValueError('the URL of an SQLite file, such as "sqlite:///bench.db"')
    return text


def store_path(url: str) -> Path:
    """The file of a store URL. Raises ValueError as `store_url`."""
    return Path(store_url(url).removeprefix("sqlite:///"))


class LinkEntry(Record):
    """One transport. Keys beside `kind` belong to that kind of link, which checks them when it is built."""

    model_config = ConfigDict(extra="allow")
    kind: Name

    @property
    def rest(self) -> dict[str, Any]:
        """The keys of the link kind's own `Config`."""
        return dict(self.model_extra or {})


class DeviceEntry(Record):
    """One device. Keys beside `driver` and `link` belong to the driver, which checks them when it is built."""

    model_config = ConfigDict(extra="allow")
    driver: Name
    link: Name | None = None

    @property
    def rest(self) -> dict[str, Any]:
        """The keys of the driver's own `Config`."""
        return dict(self.model_extra or {})


class ArrangementEntry(Record):
    """What stands where. Keys beside `kind` belong to that arrangement, which checks them; without any its name will
    do."""

    model_config = ConfigDict(extra="allow")
    kind: Name

    @property
    def rest(self) -> dict[str, Any]:
        """The keys of the arrangement's own `Config`."""
        return dict(self.model_extra or {})


def _named(stands: Any) -> Any:
    return {"kind": stands} if isinstance(stands, str) else stands


class DetectorEntry(Record):
    """What one detector is told. All keys belong to it, which checks them when the bench is read."""

    model_config = ConfigDict(extra="allow")

    @property
    def rest(self) -> dict[str, Any]:
        """The keys of the detector's own `Config`."""
        return dict(self.model_extra or {})


class Motion(Record):
    """How the carriage is driven: when it is there, how long it settles, what stays free.

    `jog_um_s` are the speeds at which it is moved by hand, the greatest of them the most; `steps_um` would be steps by
    hand, which no command offers yet.
    """

    tolerance_um: Annotated[float, Within(0.01, 100.0, "um")]
    settle_ms: Annotated[float, Field(ge=0), Within(1.0, 60e3, "ms", or_none=True)]
    steps_um: tuple[Positive, ...] = (2.0, 20.0, 200.0)
    jog_um_s: Annotated[tuple[Positive, ...], Field(min_length=1)] = (40.0, 400.0)
    clearance_um: Annotated[float, Within(50.0, 50e3, "um")] = 2000.0


class Steps(Record):
    """What the carriage's own count of steps is worth; it counts where no encoder has the role `position`.

    `u_pitch` is the standard uncertainty of the screw's pitch (1), `periodic_um` the amplitude of its error within a
    turn, `u_backlash_um` what approaching from one side leaves of the backlash, `u_home_um` the scatter of the switch
    between one homing and the next; `alpha_per_K` is the screw's expansion. `period_um` is the way of one turn, where
    it is known: `axis_test` needs it.
    """

    u_pitch: known_to.OfScrew
    periodic_um: known_to.OfSteps
    period_um: Annotated[float, Within(20.0, 50e3, "um")] | None = None
    u_backlash_um: known_to.OfSteps
    u_home_um: known_to.OfHoming
    alpha_per_K: Expansion


class Joint(Record):
    """What one mated pair of seats adds, as repeated seatings show it.

    `stand_off_um` is what dirt or a burr may hold it apart by at most; it only ever adds.
    """

    u_um: known_to.OfJoint
    dof: Dof | None = None
    stand_off_um: Annotated[float, Within(0.0, 100.0, "um")] | None = None


class Abbe(Record):
    """How far the position's scale lies from the optical axis, above or below it and beside it, and by how much the
    carriage tips and turns between any two places of its travel, at most."""

    up_mm: Annotated[float, Within(0.0, 500.0, "mm")]
    side_mm: Annotated[float, Within(0.0, 500.0, "mm")]
    pitch_arcmin: Annotated[float, Within(0.0, 60.0, "arcmin")]
    yaw_arcmin: Annotated[float, Within(0.0, 60.0, "arcmin")]


class Sag(Record):
    """How far a lens's weight pulls the seat away from the base, at most."""

    most_um_per_N: Annotated[float, Within(0.0, 50.0, "um/N")]


class GivenBase(Record):
    """Base face to target plane at carriage reading 0, as a drawing or a rule states it."""

    length_um: Annotated[float, Within(-1e6, 1e6, "um")]
    u_um: known_to.OfBase
    dof: Dof | None = None
    at_C: Celsius = 20.0


class Base(Record):
    """The bench's zero: the artefact whose calibration states it, its expansion, and the fallback."""

    calibration: RecordId
    alpha_per_K: Expansion
    given: GivenBase


class Target(Record):
    """The illuminated pattern: its known pitch (side of a square, mm) and the cover over it, from the lens on."""

    id: RecordId
    cover: Cover = ()
    pitch_mm: Annotated[float, Within(0.01, 200.0, "mm")]
    u_pitch_mm: known_to.OfPitch

    @model_validator(mode="after")
    def _known(self) -> Self:
        beside(self.u_pitch_mm, self.pitch_mm, "pitch_mm", "u_pitch_mm")
        return self


class SetUp(Record):
    """How well what is typed into the set-up is known: wall distance by tape (mm), temperature (K)."""

    u_distance_mm: known_to.OfTape = 3.0
    u_temperature_K: known_to.OfThermometer = 0.3


class Thermometer(Record):
    """How well the meter in the role `temperature` knows the bench's temperature, and how old its reading may be."""

    u_K: known_to.OfThermometer
    oldest_s: Annotated[float, Within(0.5, 3600.0, "s")] = 60.0


class RangeFinder(Record):
    """How well the meter in the role `range` knows the distance to the wall, what its reading lacks to the target plane
    with the carriage at 0, and how old it may be."""

    u_mm: known_to.OfTape
    offset_mm: Annotated[float, Within(-5000.0, 5000.0, "mm")] = 0.0
    oldest_s: Annotated[float, Within(0.5, 3600.0, "s")] = 60.0


class Level(Record):
    """How much the bench may lean by the meter in the role `level`, and whether a sweep is then noted or refused."""

    most_arcmin: Annotated[float, Within(0.01, 600.0, "arcmin")]
    beyond: Literal["note", "refuse"] = "note"
    oldest_s: Annotated[float, Within(0.5, 3600.0, "s")] = 60.0


class Sensors(Record):
    """What is to be known of the meters that tell of the room, by their roles."""

    temperature: Thermometer | None = None
    range: RangeFinder | None = None
    level: Level | None = None

    def oldest_s(self, role: str) -> float:
        """How old a reading of that role may be."""
        section = getattr(self, role, None)
        return 60.0 if section is None else float(section.oldest_s)


class Format(Record):
    """A frame size. No finding goes by it yet."""

    width_mm: Annotated[float, Within(1.0, 500.0, "mm")]
    height_mm: Annotated[float, Within(1.0, 500.0, "mm")]


class Mount(Record):
    """The depth at which a mount's image plane is specified."""

    flange_depth_mm: Annotated[float, Within(2.0, 500.0, "mm")]
    basis: Literal["air"] = "air"


class StoreEntry(Record):
    """Where the record is kept; a relative path starts at the bench file."""

    url: Annotated[str, Field(max_length=500), AfterValidator(store_url)]


class BenchFile(Record):
    """One bench. `records` is the folder of adapters/, glasses/, lenses/ and references/, seen from the file's own."""

    bench: Name
    arrangement: Annotated[ArrangementEntry, BeforeValidator(_named, json_schema_input_type=Name | ArrangementEntry)]
    time_zone: Annotated[str, AfterValidator(_time_zone)] = "UTC"
    records: Annotated[str, Field(min_length=1, max_length=500)] = "."
    seat: Name = "rail"
    links: dict[Name, LinkEntry] = Field(default_factory=dict)
    devices: Annotated[dict[Name, DeviceEntry], Field(min_length=1)]
    roles: dict[Role, Name]
    detectors: dict[Name, DetectorEntry] = Field(default_factory=dict)
    motion: Motion
    steps: Steps | None = None
    joint: Joint
    abbe: Abbe | None = None
    sag: Sag | None = None
    base: Base
    target: Target
    set_up: SetUp = SetUp()
    sensors: Sensors = Sensors()
    formats: dict[Name, Format] = Field(default_factory=dict)
    mounts: Annotated[dict[Name, Mount], Field(min_length=1)]
    shims_um: tuple[Shim, ...] = ()
    mqtt: Mqtt = Mqtt()
    store: StoreEntry

    def u_temperature_K(self, told: bool) -> float:
        """How well the temperature is known: told by a meter, or typed."""
        own = self.sensors.temperature
        return own.u_K if told and own is not None else self.set_up.u_temperature_K

    def u_distance_mm(self, told: bool) -> float:
        """How well the distance to the wall is known: told by a meter, or typed."""
        own = self.sensors.range
        return own.u_mm if told and own is not None else self.set_up.u_distance_mm

    def public_name(self, device: str) -> str:
        """The name by which topics, verbs and steps know a device: its role, else its own."""
        return next((role for role, name in self.roles.items() if name == device), device)
