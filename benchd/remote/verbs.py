"""The verbs: what each takes, which role it needs, and whether it needs control and a fresh beat.

`stop` is not among them: it needs nothing and has a road of its own (`benchd.remote.stop_road`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from benchd.remote import payloads
from benchd.remote.control import Role


def _never(_: Any) -> bool:
    """never"""
    return False


def _always(_: Any) -> bool:
    """always"""
    return True


@dataclass(frozen=True, slots=True)
class VerbSpec:
    """`needs_control(args)`, `needs_beat(args)`: what a command with these arguments needs; a beat if it can move.

    The docstrings of the two say when, in a word; `does` is a sentence. Both stand in the published description.
    What is `of_runs_holder` needs control as well while a run is under way, which it could spoil.
    What is `at_once` waits for no other command of its user, a light perhaps that changes only after a long move.
    """

    does: str
    args: type[payloads.Args]
    role: Role
    needs_control: Callable[[Any], bool] = _never
    needs_beat: Callable[[Any], bool] = _never
    at_once: bool = False
    of_runs_holder: bool = False


def _follows(args: payloads.SetupArgs) -> bool:
    """with `follow`"""
    return args.follow


def _in_earnest(args: payloads.RunArgs) -> bool:
    """unless `dry`"""
    return not args.dry


def _moving(does: str, args: type[payloads.Args]) -> VerbSpec:
    return VerbSpec(does, args, "drive", needs_control=_always, needs_beat=_always)


VERBS: dict[str, VerbSpec] = {
    "take": VerbSpec("Take control.", payloads.TakeArgs, "drive"),
    "release": VerbSpec("Give control up, or hand it over.", payloads.ReleaseArgs, "drive"),
    "home": _moving("Find the switch, then the reference mark.", payloads.HomeArgs),
    "nominal": _moving("Go where the chain says, trim included.", payloads.Nothing),
    "move": _moving("Go somewhere.", payloads.MoveArgs),
    "light": VerbSpec(
        "Set a light; while a run is under way it is its holder's alone.",
        payloads.LightArgs,
        "drive",
        of_runs_holder=True,
    ),
    "read": VerbSpec("Read a device once.", payloads.ReadArgs, "drive"),
    "setup": VerbSpec(
        "Say what stands on the bench.", payloads.SetupArgs, "drive", needs_control=_always, needs_beat=_follows
    ),
    "sweep": _moving("Take readings through focus, as a run of its own.", payloads.SweepArgs),
    "run": VerbSpec("Start a procedure.", payloads.RunArgs, "drive", needs_control=_in_earnest, needs_beat=_in_earnest),
    "pause": VerbSpec(
        "Wait at the next step of a run, or the next point of its sweep.", payloads.OfRunArgs, "drive", at_once=True
    ),
    "resume": _moving("Go to nominal, then on with a paused run.", payloads.OfRunArgs),
    "abort": VerbSpec("End a run; its `finally` is carried out.", payloads.OfRunArgs, "drive", at_once=True),
    "answer": VerbSpec(
        "Answer a question of a run; the first valid answer counts.", payloads.AnswerArgs, "answer", at_once=True
    ),
    "accept": VerbSpec("Put a calibration finding in force.", payloads.AcceptArgs, "keep"),
    "note": VerbSpec("Keep a remark with a run.", payloads.NoteArgs, "answer"),
}
