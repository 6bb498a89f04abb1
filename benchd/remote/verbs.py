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
    """`needs_beat(args)` says whether a command with these arguments can start motion."""

    args: type[payloads.Args]
    role: Role
    control: bool = False
    needs_beat: Callable[[Any], bool] = _never


def _follows(args: payloads.SetupArgs) -> bool:
    return args.follow


VERBS: dict[str, VerbSpec] = {
    "take": VerbSpec(payloads.TakeArgs, "drive"),
    "release": VerbSpec(payloads.ReleaseArgs, "drive"),
    "home": VerbSpec(payloads.HomeArgs, "drive", control=True, needs_beat=_always),
    "nominal": VerbSpec(payloads.Nothing, "drive", control=True, needs_beat=_always),
    "move": VerbSpec(payloads.MoveArgs, "drive", control=True, needs_beat=_always),
    "light": VerbSpec(payloads.LightArgs, "drive"),
    "read": VerbSpec(payloads.ReadArgs, "drive"),
    "setup": VerbSpec(payloads.SetupArgs, "drive", control=True, needs_beat=_follows),
    "sweep": VerbSpec(payloads.SweepArgs, "drive", control=True, needs_beat=_always),
    "run": VerbSpec(payloads.RunArgs, "drive", control=True, needs_beat=_always),
    "pause": VerbSpec(payloads.OfRunArgs, "drive"),
    "resume": VerbSpec(payloads.OfRunArgs, "drive", control=True, needs_beat=_always),
    "abort": VerbSpec(payloads.OfRunArgs, "drive"),
    "answer": VerbSpec(payloads.AnswerArgs, "answer"),
    "accept": VerbSpec(payloads.AcceptArgs, "keep"),
    "note": VerbSpec(payloads.NoteArgs, "answer"),
}
