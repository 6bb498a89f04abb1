"""Models of what the bench publishes on each topic, with units in the names.

They only describe: the rooms below publish plain documents, and a test checks every message of a running bench against
these models. If a room has a model or a row of its own for a document, that one is used here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import Field, RootModel

from benchd.arrangements.setup_document import SetupDocument
from benchd.assessments.finding import Finding
from benchd.bench.events import Severity
from benchd.devices.values import AskKind, AxisSpec, CameraSpec, Contacts, EncoderSpec, GaugeSpec, LightSpec, Quality
from benchd.errors import ErrorCode
from benchd.files.bench_file import Role
from benchd.files.names import Name
from benchd.procedures.inputs import InputType, Listed
from benchd.procedures.language import Needs
from benchd.procedures.run_states import State
from benchd.questions.question import Kind
from benchd.records.values import ReadingRow
from benchd.verbs.result import Result

ABSENT: Any = Field(default=None, exclude_if=lambda value: value is None)
"""A key that is left out if it has no value; if present it is not null."""


class Document(Result):
    """A message of several values."""

    note: str = ABSENT
    """Which values are null because they are not finite."""


class Online(RootModel[bool]):
    """Whether the daemon is connected; `false` is also its last will."""


class Beat(Document):
    """Proof of having heard from this daemon lately: what can start motion needs the beat of the last three seconds."""

    beat: str
    """Opaque: epoch and counter. Fed from the motion loop, it stays behind when that hangs."""


class MeterSpec(Result):
    """What a meter measures."""

    quantity: str
    unit: str
    contacts: Contacts | None
    """Of a switch: whether its circuit is closed or open while nobody acts on it."""


class NoSpec(Result):
    """Nothing is said of such a device."""


class DeviceAbout(Result):
    """One device and its abilities; what nobody has stated is null."""

    kind: Literal["axis", "encoder", "gauge", "light", "meter", "camera", "operator"]
    driver: str
    model: str
    """What it says of itself, empty where it says nothing."""
    firmware: str
    spec: AxisSpec | EncoderSpec | GaugeSpec | LightSpec | CameraSpec | MeterSpec | NoSpec


class InputAbout(Result):
    """One input of a procedure. Without `default` it has to be given; a default of null makes it optional."""

    type: InputType
    of: Listed | None = ABSENT
    """Of a list: of what."""
    unit: Literal["um", "mm", "m"] | None = ABSENT
    """Of a length, or a list of them: the unit in which a plain number is taken."""
    min: float | None = ABSENT
    max: float | None = ABSENT
    choices: list[str] = ABSENT
    default: Any = ABSENT
    stands: bool = ABSENT
    """It may be left out: then what stands on the bench stays."""
    text: str = ABSENT


class ProcedureAbout(Result):
    """What a client has to know to run it."""

    title: str
    needs: Needs
    inputs: dict[str, InputAbout]


class QuestionAbout(Result):
    """What `assess` may be asked for: a finding of that name."""

    asks: str
    of: Kind | None
    """The kind of record that it is about; null where the set-up says all."""
    values: dict[str, str]
    """The values that its finding may hold, as they are printed."""
    calibrates: bool
    """Whether its finding can be put in force by `accept`."""


class DetectorAbout(Result):
    """What a sweep may be asked for as its merit, where the device in the role `detector` is of that kind."""

    works_on: str
    """A kind of device, as under `devices`."""
    quantity: str
    unit: str
    channels: dict[str, str]
    """What it measures at each place, as it is printed; in readings `<detector>.<channel>`."""


class About(Document):
    """What stands on this bench, and what may be asked of it."""

    version: str
    """Of benchd."""
    bench: Name
    arrangement: Name
    stands: str
    """What stands where, in a clause."""
    cannot_tell: list[str]
    """What no measurement in this arrangement shows."""
    time_zone: str
    epoch: str
    """Drawn at each start of the daemon; beats of another are refused."""
    devices: dict[Name, DeviceAbout]
    """By role, or by its own name where it has none."""
    roles: dict[Role, Name]
    """Which device of the bench file has it."""
    procedures: dict[Name, ProcedureAbout]
    questions: dict[Name, QuestionAbout]
    detectors: dict[Name, DetectorAbout]


class OfDevice(Document):
    """What the states of all devices have in common."""

    t: str
    """RFC 3339, UTC."""
    seq: int
    """Counts the states of this device since the daemon began; some are never sent."""


class CarriageState(OfDevice):
    """The carriage: where it stands, and how far that can be trusted. Lengths in um, positive is deeper."""

    state: Literal["idle", "moving", "homing", "fault", "offline"]
    homed: bool
    """Whether its position is trusted."""
    why: str | None
    """Why not."""
    carriage_um: float | None
    """Its reading; at rest the one before is held within the tolerance."""
    depth_um: float | None
    """From the seat under the lens to the target."""
    offset_um: float | None
    """How much deeper than nominal, trim left out; null without a lens."""
    stale: bool
    """It has not been driven since something changed that nominal depends on."""
    source: Literal["encoder", "steps"]
    limits_um: tuple[float, float] | None
    """Lowest and highest reading that it can be driven to; null where its driver cannot say its travel."""
    u_um: float | None
    """Standard uncertainty of the reading; null where nothing is stated of the scale."""
    code: ErrorCode = ABSENT
    text: str = ABSENT


class DeviceState(OfDevice):
    """Any other device: its health, and what it shows."""

    state: Literal["ok", "degraded", "idle", "moving", "homing", "fault", "offline"]
    """Of what turns `idle`, `moving` or `homing` in the place of `ok`."""
    code: str
    """Short, empty where it is well."""
    text: str
    level: float = ABSENT
    """Of a light, 0 to 1."""
    value: float | None = ABSENT
    """What an encoder, a gauge or a meter reads, in `unit`."""
    unit: str = ABSENT
    quality: Quality = ABSENT
    homed: bool = ABSENT
    """Of what turns: whether its angle is trusted."""
    why: str | None = ABSENT
    """Why not."""
    deg: float | None = ABSENT
    """Its angle."""
    limits_deg: tuple[float, float] | None = ABSENT
    """Lowest and highest angle that it can be turned to; null where its driver cannot say its travel."""
    pressed: bool = ABSENT
    """Of a switch that bars motion: whether it is acted on, or cannot be read."""
    latched: bool = ABSENT
    """Whether it bars motion until it is re-armed, pressed or not."""
    since: str | None = ABSENT
    """RFC 3339, UTC: since when it bars motion; null where it does not."""


class ControlState(Document):
    """Who holds control. It lapses after a minute without a command, but not during a run of the holder's own."""

    holder: Name | None
    since: str | None
    """RFC 3339, UTC."""
    idle_s: int | None
    """Since the holder's last command, in steps of five."""


class Question(Result):
    """What a run asks a person; `answer` names `ask`."""

    ask: str
    name: str | None
    """Stable, for a program that answers."""
    kind: AskKind
    text: str
    choices: list[str]
    unit: str | None
    min: float | None
    """Of a number, in `unit`; null where there is no bound."""
    max: float | None
    until: str | None
    """RFC 3339, or null for no limit."""


class ProcedureState(Document):
    """The run under way, or the last one."""

    run: str | None
    procedure: str | None
    state: State
    step: int
    """From 1."""
    of: int
    progress: float = Field(ge=0, le=1)
    eta_s: float | None
    ask: Question | None


class Event(Document):
    """Something that happened."""

    t: str
    """RFC 3339, UTC."""
    code: str
    """An error code, or what happened, such as `done`."""
    severity: Severity
    text: str
    """A sentence."""
    advice: str
    """What to do next, or empty."""
    data: dict[str, Any]
    """The figures behind it."""
    cause: str | None
    """The id of the command behind it."""


@dataclass(frozen=True, slots=True)
class Publication:
    """What is published on a topic below `benchd/<bench>/`; `cleared`: an empty message takes it back."""

    topic: str
    document: type[Any]
    kept: bool
    qos: Literal[0, 1] = 1
    cleared: bool = False


PUBLICATIONS: Mapping[str, Publication] = {
    "online": Publication("online", Online, kept=True),
    "beat": Publication("beat", Beat, kept=True, qos=0),
    "about": Publication("about", About, kept=True),
    "carriage": Publication("device/carriage", CarriageState, kept=True, qos=0),
    "device": Publication("device/{device}", DeviceState, kept=True, qos=0),
    "setup": Publication("setup", SetupDocument, kept=True),
    "control": Publication("control", ControlState, kept=True),
    "procedure": Publication("procedure", ProcedureState, kept=True),
    "reading": Publication("reading", ReadingRow, kept=False),
    "finding": Publication("finding/{assessment}", Finding, kept=True, cleared=True),
    "event": Publication("event", Event, kept=False),
}
