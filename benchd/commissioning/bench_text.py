"""The text of a bench file from the answers, with a comment at what a person will want to change or measure better."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.commissioning.figure_questions import ALPHAS
from benchd.commissioning.link_text import links_text
from benchd.commissioning.parts import cameras, carriage, lengths, lights, photodiode, rings, sensors
from benchd.commissioning.question import Answers
from benchd.commissioning.seen import SeenPort
from benchd.commissioning.yaml_text import guess, lines, text, word


def bench_text(answers: Answers, ports: Sequence[SeenPort], guessed: Sequence[str] = ()) -> str:
    """The whole file. `guessed` are the keys whose default was taken."""
    parts = [
        _head(answers),
        links_text(answers, ports),
        _devices(answers, guessed),
        _roles(answers),
        sensors.section(answers, guessed) + photodiode.section(answers) + _motion(answers),
        _figures(answers, guessed),
    ]
    return "\n".join(parts)


def _head(answers: Answers) -> str:
    vergence = answers.get("u_vergence_per_m")
    kind = answers["arrangement"]
    stands = kind if vergence is None else f"{{kind: {kind}, u_vergence_per_m: {text(vergence)}}}"
    if kind == "autocollimation":
        pickup = {"deeper_um": answers["pickup_um"], "u_um": answers["u_pickup_um"]}
        mirror = {"flatness_um": answers["mirror_flatness_um"], "over_mm": answers["mirror_over_mm"]}
        stands = text({"kind": kind, "pickup": pickup, "mirror": mirror}).replace('"', "")
    return f"""\
# The bench {answers["bench"]}, as `benchd new` wrote it from the answers given. Change what you like: keys carry their
# units, um along the axis, mm for dimensions. `benchd check` says what is wrong, with line and key, and moves nothing;
# `benchd doctor` looks at ports, devices and this machine. Relative paths start at this file.
# A carriage pinches, and a software stop is no emergency stop: wire one that acts without the computer.

bench: {word(answers["bench"])}
arrangement: {stands}
time_zone: {word(answers["time_zone"])}
seat: {word(answers["seat"])}                            # the face on which the first adapter, or the lens, rests
"""


def _devices(answers: Answers, guessed: Sequence[str]) -> str:
    return (
        "# What hangs on them. `benchd doctor` says where these figures contradict the controller's own.\ndevices:\n"
        + carriage.devices(answers)
        + rings.devices(answers)
        + lights.devices(answers)
        + lengths.devices(answers, guessed)
        + cameras.devices(answers, guessed)
        + sensors.devices(answers)
        + photodiode.devices(answers)
    )


def _roles(answers: Answers) -> str:
    roles = {"carriage": "stage", **lengths.roles(answers), **lights.roles(answers), **cameras.roles(answers)}
    roles |= {**photodiode.roles(answers), **sensors.roles(answers), **rings.roles(answers)}
    listed = ", ".join(f"{role}: {device}" for role, device in roles.items())
    return f"# Who plays which part: messages and procedures know a device by its role.\nroles: {{{listed}}}\n"


STEPS = """\
# Without a scale the motor's steps are the position. State what they are worth, or findings are relative: u of the
# screw's pitch (relative), amplitude of its error within a turn, what one-sided approach leaves of the backlash,
# scatter of the home switch, expansion of the screw. These are examples, not yours:
# steps: {u_pitch: 1.0e-3, periodic_um: 5.0, u_backlash_um: 3.0, u_home_um: 10.0, alpha_per_K: 1.15e-5}
"""


def _motion(answers: Answers) -> str:
    found = "motion:\n" + lines(
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
    joint, pitch_u = (guess(key, guessed) for key in ("joint_u_um", "u_target_mm"))
    return f"""\
# What a mated pair of seats adds each time it is put together, standard uncertainty.
joint:
{lines(2, (("u_um", answers["joint_u_um"], joint),))}
# Bounds of what is not measured; what is left out is taken as zero, and the notes of every finding say so:
# abbe: {{up_mm: .., side_mm: .., pitch_arcmin: .., yaw_arcmin: ..}}  how far the scale lies from the axis, and tipping
# sag: {{most_um_per_N: ..}}                                       how far a lens's weight pulls the seat away

# Base face to target at carriage reading 0. Its calibration (`benchd run bench_zero`, then accept) is absolute zero;
# until there is one, `given` is good enough to drive by, and findings are relative.
base:
  calibration: bench-zero
  alpha_per_K: {text(ALPHAS[answers["base_of"]])}                     # {answers["base_of"]}
  given: {{length_um: {text(length)}, u_um: {text(u)}, at_C: 20.0}}

# The pattern: a dark square, turned by some 5 degrees. `cover` lists plates over it, as in the record of a glass.
target:
  id: square-1
  cover: []
{lines(2, (("pitch_mm", answers["target_mm"], "its side"), ("u_pitch_mm", answers["u_target_mm"], pitch_u)))}
mounts:
  {word(answers["mount"])}: {{flange_depth_mm: {text(answers["flange_depth_mm"])}, basis: air}}

shims_um: {text(answers["shims_um"])}                             # in stock

mqtt: {{broker: embedded}}      # on this machine alone
store: {{url: "sqlite:///{answers["bench"]}.db"}}
"""
