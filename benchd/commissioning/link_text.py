"""The links of a bench file: devices on one port share that of the first, and each kind of line has its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import count

from benchd.commissioning.question import Answers, Places, at
from benchd.commissioning.seen import SeenPort, identity_of
from benchd.commissioning.yaml_text import text

ORDER = (
    "carriage",
    "focus",
    "iris",
    "zoom",
    "turn",
    "lamp",
    "pointer",
    "scale",
    "indicator",
    "thermometer",
    "rangefinder",
    "tilt",
    "diode",
)
"""Who may have a port, in the order in which they are asked about."""
WHERE = {"visa": "resource", "dmx": "adapter"}
"""What is asked instead of a port."""
DMX_SLOTS = 512
HEAD = """\
# Transports. A port that is matched by what identifies its adapter is found again in another socket.
links:
"""
MODBUS = "    # 8 bits, even parity, 1 stop bit, unless `parity: none` or `stop_bits: 2`"


def _speaks(answers: Answers, who: str) -> str:
    """What kind of line a device is on."""
    by = answers.get({"lamp": "light", "pointer": "pointer"}.get(who, f"{who}_by"), "")
    return {"modbus": "modbus", "dmx": "dmx", "scpi": "visa"}.get(by, "serial")


def _where(answers: Answers, who: str) -> str | None:
    found = answers.get(f"{who}_{WHERE.get(_speaks(answers, who), 'port')}")
    return None if found is None else str(found)


def first_there(answers: Answers, who: str) -> str:
    """The first that is on the same line."""
    for other in ORDER[: ORDER.index(who)]:
        same = _where(answers, other) == _where(answers, who)
        if same and _speaks(answers, other) == _speaks(answers, who):
            return other
    return who


def link_of(answers: Answers, who: str) -> str:
    """The name of the link that a device is on."""
    return f"{first_there(answers, who)}_line"


def next_unit(who: str) -> Callable[[Answers], str]:
    """The first unit, from 1, that nobody has who is on the same line and has told his."""

    def free(answers: Answers) -> str:
        line = _speaks(answers, who), _where(answers, who)
        there = [other for other in ORDER if (_speaks(answers, other), _where(answers, other)) == line]
        taken = {answers.get(f"{other}_unit") for other in there if other != who}
        return str(next(unit for unit in count(1) if unit not in taken))

    return free


def line_places(who: str, *more: str) -> Places:
    """Where the answers about a line stand; `more` is what may be asked instead of a port."""
    asked = {"port": "port match url .", "baud": "baud", "adapter": "port match .", "resource": "resource ."}
    return at(f"links.{who}_line", {f"{who}_{key}": asked[key] for key in ("port", "baud", *more)})


def where_first(who: str) -> Callable[[Answers], bool]:
    """Asked of a serial port that nobody before was on: a line has one rate."""

    def applies(answers: Answers) -> bool:
        port = answers.get(f"{who}_port")
        if port is None or str(port).startswith("socket://"):
            return False
        return first_there(answers, who) == who

    return applies


def links_text(answers: Answers, ports: Sequence[SeenPort]) -> str:
    """The section `links`."""
    found = HEAD
    for who in ORDER:
        where = _where(answers, who)
        if where is not None and first_there(answers, who) == who:
            found += f"  {who}_line: {_link(answers, who, where, ports)}\n"
    return found


def _link(answers: Answers, who: str, where: str, ports: Sequence[SeenPort]) -> str:
    kind = _speaks(answers, who)
    if kind == "visa":
        return f"{{kind: visa, resource: {text(where)}}}"
    if where.startswith("socket://"):
        return f"{{kind: {'modbus_tcp' if kind == 'modbus' else 'tcp'}, url: {text(where)}}}"
    match = identity_of(where, ports)
    (key, value), *_ = [*match.items(), ("port", where)]
    port = f"match: {{{key}: {text(value)}}}" if match else f"port: {text(where)}"
    seen = f"    # was {where}" if match else ""
    if kind == "dmx":
        return f"{{kind: dmx, {port}, slots: {DMX_SLOTS}}}{seen}"
    baud = f"baud: {answers[f'{who}_baud']}"
    return (
        f"{{kind: modbus_rtu, {port}, {baud}}}{seen or MODBUS}"
        if kind == "modbus"
        else (f"{{kind: serial, {port}, {baud}}}{seen}")
    )
