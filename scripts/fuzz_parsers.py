"""The parsers of all wires, each with what it really hears, and the errors that it may raise."""

from __future__ import annotations

import asyncio
import math
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from pydantic import BaseModel

from benchd.bench.events import Events
from benchd.bench.notices import Notices
from benchd.commands.beat import Beat
from benchd.commands.control import Control, Roles
from benchd.commands.events import LimitedEvents
from benchd.commands.ids import SeenIds
from benchd.commands.intake import Intake as CommandIntake
from benchd.commands.intake import Request
from benchd.commands.json_gate import read_object
from benchd.devices import Clock, DeviceError, Link, line
from benchd.devices.links import Matcher
from benchd.errors import Refused
from benchd.files.artefacts import Adapter
from benchd.files.problems import FileProblems
from benchd.files.source import check, parse_yaml
from benchd.imaging.picture import read_picture
from benchd.imaging.refusals import PictureRefused
from benchd.mqtt.topics import Topics
from benchd.quantities import length, utc_seconds
from benchd.verbs.table import VERBS
from benchd_drivers.gcode_hearing import Hearing
from benchd_drivers.gcode_status import parse_report
from benchd_drivers.line import LineDriver
from benchd_drivers.link.intake import Intake
from benchd_drivers.modbus_asker import Asker
from benchd_drivers.modbus_question import Question
from benchd_drivers.picture_head import media_type, size_in
from benchd_drivers.scpi_words import NoNumber, Overload, block, error_of, number, reals, whole_block

MANY, SOME = 1_000_000, 50_000
"""How many inputs each gets; `SOME` are those that take a millisecond each."""

Errors = tuple[type[Exception], ...]


@dataclass(frozen=True, slots=True)
class Parser:
    """`take` is given one input after the other; of its errors `may` are the named ones. It fails by AssertionError
    where what it gives cannot be, or where it holds more than it may."""

    name: str
    seeds: Sequence[bytes]
    take: Callable[[bytes], object]
    may: Errors = ()
    inputs: int = MANY


@contextmanager
def parsers() -> Iterator[list[Parser]]:
    """All of them; those that need an event loop have one, that is never waited on."""
    loop = asyncio.new_event_loop()

    def now(work: Coroutine[Any, Any, object]) -> object:
        """What an asynchronous call comes to that has nothing to wait for."""
        return loop.run_until_complete(work)

    async def made() -> list[Parser]:
        return [*_gcode(), *_text(now), *_scpi(), *_modbus(), *_pictures(), *_commands(now), *_files()]

    try:
        yield loop.run_until_complete(made())
    finally:
        loop.close()


REPORTS = (
    b"<Idle|MPos:0.000,-1.500,12.345|FS:0,400|WCO:0.000,0.000,2.000|Pn:Z>",
    b"<Jog|WPos:1.000,2.000,3.000|Bf:15,128|Ov:100,100,100|A:S>",
    b"<Hold:0|MPos:5.000,-10.000,0.000,0.000|F:240>",
    b"<Alarm|MPos:0.000,0.000,0.000>",
)
LINES = (
    b"ok", b"error:22", b"ALARM:1", b"Grbl 1.1h ['$' for help]", b"[VER:1.1h.20190830:7A01]", b"[OPT:VL,15,128]",
    b"[MSG:Reset to continue]", b"$130=200.000", b"$23=0", b"[GC:G0 G54 G17 G21 G90 G94 M5 M9 T0 F0 S0]",
)  # fmt: skip


class _Answered(Link):
    """A link whose next answer is laid down; a link of its own kind, so that what drivers come to look at is there."""

    name = "fuzz"
    connected = True
    recent = ()

    def __init__(self) -> None:
        self.answer = b""

    async def open(self) -> None: ...

    async def close(self) -> None: ...

    def urgent(self, data: bytes) -> None: ...

    async def listen(self) -> AsyncIterator[bytes]:
        return
        yield b""

    async def query(self, data: bytes, until: Matcher, timeout_s: float) -> bytes:
        span = until(self.answer)
        if span is None:
            raise DeviceError("nothing came", device=self.name)
        return self.answer[span]


def _gcode() -> list[Parser]:
    def report(data: bytes) -> None:
        found = parse_report(data, 1.0)
        place = None if found is None else found.machine(None)
        assert place is None or all(math.isfinite(one) for one in place)

    hearing = Hearing(_Answered())

    def heard(data: bytes) -> None:
        for raw in data.split(b"\n"):
            hearing._take(raw.decode("ascii", "replace").strip())
        assert len(hearing.told) <= 16
        assert len(hearing.settings.values) <= 2000, "settings that no board has are kept"

    intake = Intake()
    asked = False

    def fed(data: bytes) -> None:
        nonlocal asked
        if not asked:
            intake.ask(line())
        asked = intake.feed(data).answer is None
        assert len(intake._held) <= intake.bound

    return [
        Parser("G-code reports", REPORTS, report),
        Parser("lines of a G-code board", (*REPORTS, *LINES, b"\n".join(LINES)), heard),
        Parser("bytes of a serial line", (b"P=1.0\nP=2.0\r\n", *(one + b"\r\n" for one in (*REPORTS, *LINES))), fed),
    ]


def _text(now: Callable[[Coroutine[Any, Any, object]], object]) -> list[Parser]:
    link = _Answered()
    config = LineDriver.Config(ask="P?", pattern=r"^P=([-+0-9.eE]+)$", quantity="position", resolution_um=0.05)
    device = LineDriver.create("scale", config, link)

    def told(data: bytes) -> None:
        link.answer = data
        value = cast(tuple[float, float], now(device._number()))[0]
        assert math.isfinite(value)

    def lengths(data: bytes) -> None:
        assert math.isfinite(length(data.decode("utf-8", "replace")))

    def times(data: bytes) -> None:
        assert math.isfinite(utc_seconds(data.decode("utf-8", "replace")))

    return [
        Parser("a line device", (b"P=+0012.345\r\n", b"P=-1e3\n"), told, (DeviceError,)),
        Parser("lengths as written", (b"10 um", b"2 ft 6 in", b"2' 6\"", b"0.4 mm", b"1 thou"), lengths, (Refused,)),
        Parser("times", (b"1985-04-12T23:20:50.52Z", b"1937-01-01T12:00:27.87+00:20"), times, (Refused,)),
    ]


def _scpi() -> list[Parser]:
    finds = whole_block()

    def blocks(data: bytes) -> None:
        span = finds(data)
        if span is not None:
            assert 0 <= span.start < span.stop <= len(data)
            answer = block(data[span])
            reals(answer, 64, len(answer) // 8)

    return [
        Parser("numbers of SCPI", (b"+1.234E-03", b"9.9E37", b"9.91E+37", b"-12"), lambda raw: number(_text_of(raw)),
               (NoNumber, Overload)),
        Parser("errors of SCPI", (b'-113,"Undefined header"', b'+0,"No error"', b"0"),
               lambda raw: error_of(_text_of(raw)), (NoNumber,)),
        Parser("blocks of IEEE 488.2", (b"#15HELLO\n", b"#216" + bytes(16) + b"\n", b"#0abc\n"), blocks,
               (NoNumber, Overload)),
    ]  # fmt: skip


def _text_of(raw: bytes) -> str:
    return raw.decode("ascii", "replace")


FRAMES = tuple(
    bytes.fromhex(text)
    for text in (
        "1103022b7E5f4a",
        "0103140000000000000000000000000000000000000000A367",
        "0183 02 C0F1",
        "110600010003 9A9B",
    )
)
NUMBERED = tuple(
    bytes.fromhex(text) for text in ("000100000005110302022b", "000200000003018302", "00030000000611060001 0003")
)
"""MODBUS Messaging on TCP/IP 1.0b, 3.1: a header of seven bytes, then function and data."""


def _modbus() -> list[Parser]:
    def nowhere() -> Any:
        raise DeviceError("no port", device="fuzz")

    def asker(*, numbered: bool) -> Callable[[bytes], None]:
        line_ = Asker("fuzz", nowhere, lambda: (), lambda *_: None, numbered=numbered, timeout_s=1.0, pause_s=0.0)
        return line_.received

    questions = tuple(
        bytes.fromhex(text) for text in ("1103006b0003", "110600010003", "11100001000204000a0102", "1105 00ac ff00")
    )
    return [
        Parser("frames of Modbus RTU", FRAMES, asker(numbered=False)),
        Parser("frames of Modbus TCP", NUMBERED, asker(numbered=True)),
        Parser("questions of Modbus", questions, lambda raw: str(Question.of_bytes(raw)), (ValueError,)),
    ]


def _pictures() -> list[Parser]:
    from io import BytesIO

    from PIL import Image

    pictures = []
    for kind in ("PNG", "JPEG", "TIFF"):
        for mode in ("L", "RGB"):
            out = BytesIO()
            Image.linear_gradient("L").resize((48, 32)).convert(mode).save(out, kind)
            pictures.append(out.getvalue())

    def head(data: bytes) -> None:
        media_type(data)
        size = size_in(data)
        assert size is None or min(size) >= 0

    return [
        Parser("heads of pictures", pictures, head),
        Parser("pictures", pictures, read_picture, (PictureRefused,), SOME),
    ]


class _Hurried(Clock):
    """A minute passes in a few hundred looks: as many commands a minute would be refused for that alone."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def monotonic(self) -> float:
        self._now_s += 0.1
        return self._now_s


MESSAGES = (
    b'{"id":"c81","beat":"k3f9-1842","args":{"axis":"carriage","offset_um":12.5}}',
    b'{"id":"c82","args":{"light":"target_light","level":0.4}}',
    b'{"id":"c83","args":{"rev":1186,"set":{"glass":["pane-25"],"m":{"value":0.01,"u":1e-5}},"follow":true}}',
    b'{"id":"c84","args":{"procedure":"flange_check","inputs":{"lens":"L-0417","adapters":["ring-07"]}}}',
    b'{"id":"c85","args":{"ask":"a-55","value":true}}',
)


def _commands(now: Callable[[Coroutine[Any, Any, object]], object]) -> list[Parser]:
    clock, notices, roles = _Hurried(), Notices(), Roles({})
    beat = Beat(Clock(), oldest_s=1e9)
    beat.feed()
    messages = tuple(one.replace(b"k3f9-1842", beat.current.encode()) for one in MESSAGES)

    async def taken(request: Request) -> dict[str, Any]:
        return {}

    intake = CommandIntake(
        dict.fromkeys(VERBS, taken),
        control=Control(clock, roles, notices),
        roles=roles,
        beat=beat,
        ids=SeenIds(clock),
        events=LimitedEvents(Events(notices, None, clock), clock),
    )
    verbs, topics = list(VERBS), Topics("north-rail")

    def command(data: bytes) -> None:
        verb = verbs[sum(data) % len(verbs)]
        reply = cast(
            dict[str, Any], now(intake.handle(topics.parse_command(f"benchd/north-rail/command/wall/{verb}"), data))
        )
        assert set(reply) <= {"id", "ok", "result", "error"}
        assert reply["ok"] or reply["error"]["code"] != "device_fault", "it failed inside"

    def topic(data: bytes) -> None:
        topics.parse_command(data.decode("utf-8", "replace"))

    return [
        Parser("JSON of messages", MESSAGES, read_object, (Refused,)),
        Parser("commands, whichever verb", messages, command),
        Parser(
            "topics of commands", (b"benchd/north-rail/command/wall/move", b"benchd/north-rail/beat"), topic, (Refused,)
        ),
    ]


RECORD = b"""adapter: ring-07
seat_below: rail
seat_above: m50
material: {alpha_per_K: 23.0e-6}
given: {length_um: 18003.2, u_um: 1.5, at_C: 20.0, points_um: [0.6, -0.2, -0.7, 0.3], by: maker}
turns: false
"""


def _files() -> list[Parser]:
    model: type[BaseModel] = Adapter

    def record(data: bytes) -> None:
        check(parse_yaml(Path("ring-07.yaml"), data.decode("utf-8", "replace")), model)

    return [Parser("files", (RECORD,), record, (FileProblems,), SOME)]
