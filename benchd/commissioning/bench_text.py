"""The text of a bench file from the answers, with a comment at what a person will want to change or measure better."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from benchd.commissioning.figure_questions import ALPHAS
from benchd.commissioning.question import Answers
from benchd.commissioning.seen import SeenPort, identity_of

NO_NAMES = ("true", "false", "null", "inf", "nan")
PLAIN = (*"XYZABCUVW", "deeper", "shallower", "from_below", "from_above", "position", "gauge", "upright")
GUESSES: Mapping[str, str] = {
    "joint_u_um": "a guess on the safe side; `benchd run joint_study` measures it",
    "scale_u": "a guess on the safe side; its data sheet or certificate tells",
    "scale_subdivision_um": "a guess on the safe side; its data sheet tells",
    "indicator_hysteresis_um": "a guess on the safe side; its data sheet tells",
    "indicator_u_gain": "a guess on the safe side; its data sheet or certificate tells",
    "camera_u_pixel_um": "a guess on the safe side; its data sheet tells",
    "u_target_mm": "a guess; calipers read 0.02 mm, a measuring microscope 0.001 mm",
}
"""Defaults that nobody has stated: the file says so beside them."""

PLACES: Mapping[str, str] = {
    "bench": "bench", "arrangement": "arrangement", "time_zone": "time_zone", "seat": "seat",
    "arrangement.u_vergence_per_m": "u_vergence_per_m",
    "links.carriage_line.port": "carriage_port", "links.carriage_line.baud": "carriage_baud",
    "links.scale_line.port": "scale_port", "links.indicator_line.port": "indicator_port",
    "devices.scale.u_scale": "scale_u", "devices.dial.u_gain": "indicator_u_gain",
    "devices.lamp.pwm_hz": "pwm_hz", "devices.camera.url": "camera_url",
    "devices.camera.settings_url": "camera_settings_url",
    "motion.tolerance_um": "tolerance_um", "motion.settle_ms": "settle_ms", "motion.clearance_um": "clearance_um",
    "joint.u_um": "joint_u_um", "base.given.length_um": "base_mm", "base.given.u_um": "u_base_mm",
    "target.pitch_mm": "target_mm", "target.u_pitch_mm": "u_target_mm", "mounts": "mount", "shims_um": "shims_um",
}  # fmt: skip


def question_of(key: str) -> str | None:
    """The question whose answer stands at a dotted key of the file, if one does."""
    place = key
    while place:
        if place in PLACES:
            return PLACES[place]
        place = place.rpartition(".")[0]
    _, _, rest = key.partition("devices.")
    device, _, of = rest.partition(".")
    known = {"stage": of, "scale": f"scale_{of}", "dial": f"indicator_{of}", "camera": f"camera_{of}"}
    return known.get(device)


def bench_text(answers: Answers, ports: Sequence[SeenPort], guessed: Sequence[str] = ()) -> str:
    """The whole file. `guessed` are the keys whose default was taken."""
    parts = [
        _head(answers),
        _links(answers, ports),
        _devices(answers, guessed),
        _roles(answers),
        _motion(answers),
        _figures(answers, guessed),
    ]
    return "\n".join(parts)


def _text(value: Any) -> str:
    """A value as it stands in YAML: texts quoted, numbers as they were meant."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return value if value in PLAIN else json.dumps(value, ensure_ascii=False)
    if isinstance(value, tuple):
        return "[" + ", ".join(_text(one) for one in value) + "]"
    if isinstance(value, float):
        plain = f"{value:.12g}"
        return plain.replace("e", ".0e") if "e" in plain and "." not in plain else plain
    return str(value)


def _word(name: str) -> str:
    """A name as it stands in YAML: quoted where it would be read as a number, or as true, false or null."""
    plain = re.fullmatch(r"[A-Za-z][A-Za-z0-9_/+-]*", name) and name.lower() not in NO_NAMES
    return name if plain else json.dumps(name)


def _lines(indent: int, pairs: Sequence[tuple[str, Any, str]]) -> str:
    """`key: value   # why`, a line each; those without a value are left out."""
    found = []
    for key, value, why in pairs:
        if value is not None:
            line = f"{' ' * indent}{key}: {_text(value)}"
            found.append(f"{line:<46}# {why}" if why else line)
    return "\n".join(found) + "\n"


def _head(answers: Answers) -> str:
    vergence = answers.get("u_vergence_per_m")
    kind = answers["arrangement"]
    stands = kind if vergence is None else f"{{kind: {kind}, u_vergence_per_m: {_text(vergence)}}}"
    return f"""\
# The bench {answers["bench"]}, as `benchd new` wrote it from the answers given. Change what you like: keys carry their
# units, um along the axis, mm for dimensions. `benchd check` says what is wrong, with line and key, and moves nothing;
# `benchd doctor` looks at ports, devices and this machine. Relative paths start at this file.
# A carriage pinches, and a software stop is no emergency stop: wire one that acts without the computer.

bench: {_word(answers["bench"])}
arrangement: {stands}
time_zone: {_word(answers["time_zone"])}
seat: {_word(answers["seat"])}                            # the face on which the first adapter, or the lens, rests
"""


def link_of(answers: Answers, who: str) -> str:
    """The link that a device is on: devices on one port share the link of the first."""
    for other in ("carriage", "scale", "indicator"):
        if answers.get(f"{other}_port") == answers[f"{who}_port"]:
            return f"{other}_line"
    raise AssertionError(who)


def _links(answers: Answers, ports: Sequence[SeenPort]) -> str:
    found = ["# Transports. A port that is matched by what identifies its adapter is found again in another socket."]
    found.append("links:")
    for who in ("carriage", "scale", "indicator"):
        port = answers.get(f"{who}_port")
        if port is None or link_of(answers, who) != f"{who}_line":
            continue
        if port.startswith("socket://"):
            found.append(f"  {who}_line: {{kind: tcp, url: {_text(port)}}}")
            continue
        match = identity_of(port, ports)
        (key, value), *_ = [*match.items(), ("port", port)]
        where = f"match: {{{key}: {_text(value)}}}" if match else f"port: {_text(port)}"
        seen = f"    # was {port}" if match else ""
        found.append(f"  {who}_line: {{kind: serial, {where}, baud: {answers[f'{who}_baud']}}}{seen}")
    return "\n".join(found) + "\n"


def _devices(answers: Answers, guessed: Sequence[str]) -> str:
    search = "give up looking for the switch after this"
    found = (
        "# What hangs on them. `benchd doctor` says where these figures contradict the controller's own.\ndevices:\n"
    )
    found += "  stage:\n    driver: gcode_axis\n    link: carriage_line\n" + _lines(
        4,
        (
            ("letter", answers["letter"].upper(), ""),
            ("um_per_unit", answers["um_per_unit"], "one unit of the controller's"),
            ("positive", answers["positive"], "which way its numbers grow"),
            ("zero_at", answers["zero_at"], "its number where the carriage reads 0"),
            ("travel_um", answers["travel_um"], "soft limits, by the carriage's own reading"),
            ("top_speed_um_s", answers["top_speed_um_s"], ""),
            ("acceleration_um_s2", answers["acceleration_um_s2"], ""),
            ("resolution_um", answers["resolution_um"], "one step of the motor"),
            ("approach", answers["approach"], "each final approach comes from this side"),
            ("home_search_um", answers["home_search_um"], search),
        ),
    )
    if answers["light"] == "yes":
        found += "  lamp:\n    driver: gcode_light\n    link: carriage_line\n    safe_level: 0\n"
        if answers.get("pwm_hz") is not None:
            found += _lines(4, (("pwm_hz", answers["pwm_hz"], "exposures take whole periods of its pulses"),))
    if answers.get("scale_port") is not None:
        found += _line_device(answers, "scale", "position") + _lines(
            4,
            (
                ("subdivision_um", answers["scale_subdivision_um"], _guess("scale_subdivision_um", guessed)),
                ("u_scale", answers["scale_u"], _guess("scale_u", guessed)),
                ("reference_ask", answers.get("scale_reference_ask"), ""),
                ("reference_pattern", answers.get("scale_reference_pattern"), ""),
            ),
        )
    if answers.get("indicator_port") is not None:
        hysteresis = answers["indicator_hysteresis_um"]
        found += _line_device(answers, "indicator", "gauge") + _lines(
            4,
            (
                ("grows", answers["indicator_grows"], "its reading, as the tip reaches deeper or is pushed in"),
                ("range_um", answers["indicator_range_um"], ""),
                ("hysteresis_um", hysteresis, _guess("indicator_hysteresis_um", guessed)),
                ("u_gain", answers["indicator_u_gain"], _guess("indicator_u_gain", guessed)),
            ),
        )
    return found + _camera(answers, guessed)


def _line_device(answers: Answers, who: str, quantity: str) -> str:
    return f"  {_named(who)}:\n    driver: line\n    link: {link_of(answers, who)}\n" + _lines(
        4,
        (
            ("ask", answers[f"{who}_ask"], ""),
            ("pattern", answers[f"{who}_pattern"], ""),
            ("quantity", quantity, ""),
            ("um_per_unit", answers[f"{who}_um_per_unit"], ""),
            ("resolution_um", answers[f"{who}_resolution_um"], ""),
        ),
    )


def _named(who: str) -> str:
    """A device is not named as a role that another plays."""
    return {"indicator": "dial"}.get(who, who)


def _camera(answers: Answers, guessed: Sequence[str]) -> str:
    if answers.get("camera_url") is None:
        return ""
    return "  camera:\n    driver: http_camera\n" + _lines(
        4,
        (
            ("url", answers["camera_url"], ""),
            ("settings_url", answers.get("camera_settings_url"), ""),
            ("time_header", answers.get("camera_time_header"), ""),
            ("orientation", answers["camera_orientation"], ""),
            ("pixel_um", answers.get("camera_pixel_um"), ""),
            ("u_pixel_um", answers.get("camera_u_pixel_um"), _guess("camera_u_pixel_um", guessed)),
            ("linear", answers["camera_linear"] == "yes" or None, "proportional to light"),
        ),
    )


def _roles(answers: Answers) -> str:
    roles = {"carriage": "stage"}
    if answers.get("scale_port") is not None:
        roles["position"] = "scale"
    if answers["light"] == "yes":
        roles["target_light"] = "lamp"
    if answers.get("camera_url") is not None:
        roles["detector"] = "camera"
    if answers.get("indicator_port") is not None:
        roles["indicator"] = "dial"
    listed = ", ".join(f"{role}: {device}" for role, device in roles.items())
    return f"# Who plays which part: messages and procedures know a device by its role.\nroles: {{{listed}}}\n"


STEPS = """\
# Without a scale the motor's steps are the position. State what they are worth, or findings are relative: u of the
# screw's pitch (relative), amplitude of its error within a turn, what one-sided approach leaves of the backlash,
# scatter of the home switch, expansion of the screw. These are examples, not yours:
# steps: {u_pitch: 1.0e-3, periodic_um: 5.0, u_backlash_um: 3.0, u_home_um: 10.0, alpha_per_K: 1.15e-5}
"""


def _motion(answers: Answers) -> str:
    found = "motion:\n" + _lines(
        2,
        (
            ("tolerance_um", answers["tolerance_um"], "the carriage has to come so near to a place"),
            ("settle_ms", answers["settle_ms"], "wait before a reading"),
            ("clearance_um", answers["clearance_um"], "kept free between rear element, glass and target"),
        ),
    )
    return found if answers.get("scale_port") is not None else f"{found}\n{STEPS}"


def _figures(answers: Answers, guessed: Sequence[str]) -> str:
    length, u = 1000.0 * answers["base_mm"], 1000.0 * answers["u_base_mm"]
    joint, pitch_u = (_guess(key, guessed) for key in ("joint_u_um", "u_target_mm"))
    return f"""\
# What a mated pair of seats adds each time it is put together, standard uncertainty.
joint:
{_lines(2, (("u_um", answers["joint_u_um"], joint),))}
# Bounds of what is not measured; what is left out is taken as zero, and the notes of every finding say so:
# abbe: {{up_mm: .., side_mm: .., pitch_arcmin: .., yaw_arcmin: ..}}  how far the scale lies from the axis, and tipping
# sag: {{most_um_per_N: ..}}                                       how far a lens's weight pulls the seat away

# Base face to target at carriage reading 0. Its calibration (`benchd run bench_zero`, then accept) is absolute zero;
# until there is one, `given` is good enough to drive by, and findings are relative.
base:
  calibration: bench-zero
  alpha_per_K: {_text(ALPHAS[answers["base_of"]])}                     # {answers["base_of"]}
  given: {{length_um: {_text(length)}, u_um: {_text(u)}, at_C: 20.0}}

# The pattern: a dark square, turned by some 5 degrees. `cover` lists plates over it, as in the record of a glass.
target:
  id: square-1
  cover: []
{_lines(2, (("pitch_mm", answers["target_mm"], "its side"), ("u_pitch_mm", answers["u_target_mm"], pitch_u)))}
mounts:
  {_word(answers["mount"])}: {{flange_depth_mm: {_text(answers["flange_depth_mm"])}, basis: air}}

shims_um: {_text(answers["shims_um"])}                             # in stock

mqtt: {{broker: embedded}}      # on this machine alone
store: {{url: "sqlite:///{answers["bench"]}.db"}}
"""


def _guess(key: str, guessed: Sequence[str]) -> str:
    return GUESSES[key] if key in guessed else ""
