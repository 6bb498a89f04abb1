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
    return False


def _always(_: Any) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class VerbSpec:
    """`needs_control(args)`, `needs_beat(args)`: what a command with these arguments needs; a beat if it can move."""

    args: type[payloads.Args]
    role: Role
    needs_control: Callable[[Any], bool] = _never
    needs_beat: Callable[[Any], bool] = _never


def _follows(args: payloads.SetupArgs) -> bool:
    return args.follow


def _in_earnest(args: payloads.RunArgs) -> bool:
    return not args.dry


VERBS: dict[str, VerbSpec] = {
    "take": VerbSpec(payloads.TakeArgs, "drive"),
    "release": VerbSpec(payloads.ReleaseArgs, "drive"),
    "home": VerbSpec(payloads.HomeArgs, "drive", needs_control=_always, needs_beat=_always),
    "nominal": VerbSpec(payloads.Nothing, "drive", needs_control=_always, needs_beat=_always),
    "move": VerbSpec(payloads.MoveArgs, "drive", needs_control=_always, needs_beat=_always),
    "light": VerbSpec(payloads.LightArgs, "drive"),
    "read": VerbSpec(payloads.ReadArgs, "drive"),
    "setup": VerbSpec(payloads.SetupArgs, "drive", needs_control=_always, needs_beat=_follows),
    "sweep": VerbSpec(payloads.SweepArgs, "drive", needs_control=_always, needs_beat=_always),
    "run": VerbSpec(payloads.RunArgs, "drive", needs_control=_in_earnest, needs_beat=_in_earnest),
    "pause": VerbSpec(payloads.OfRunArgs, "drive"),
    "resume": VerbSpec(payloads.OfRunArgs, "drive", needs_control=_always, needs_beat=_always),
    "abort": VerbSpec(payloads.OfRunArgs, "drive"),
    "answer": VerbSpec(payloads.AnswerArgs, "answer"),
    "accept": VerbSpec(payloads.AcceptArgs, "keep"),
    "note": VerbSpec(payloads.NoteArgs, "answer"),
}
