"""All verbs, by name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.verbs.accept import Accept
from benchd.verbs.answer import Answer
from benchd.verbs.assess import Assess
from benchd.verbs.camera import Camera
from benchd.verbs.control import Release, Take
from benchd.verbs.home import Home
from benchd.verbs.jog import Jog
from benchd.verbs.light import Light
from benchd.verbs.magnification import Magnification
from benchd.verbs.move import Move
from benchd.verbs.nominal import Nominal
from benchd.verbs.note import Note
from benchd.verbs.read import Read
from benchd.verbs.record import Record
from benchd.verbs.reseated import Reseated
from benchd.verbs.run import Run
from benchd.verbs.setup import Setup
from benchd.verbs.steer import Abort, Pause, Resume
from benchd.verbs.sweep import Sweep
from benchd.verbs.verb import Verb
from benchd.verbs.wait import Wait
from benchd.verbs.withdraw import Withdraw

_ALL: tuple[Verb[Any], ...] = (
    Take(), Release(), Home(), Nominal(), Move(), Jog(), Light(), Camera(), Read(), Setup(), Magnification(), Sweep(),
    Run(), Pause(), Resume(), Abort(), Answer(), Accept(), Record(), Note(), Assess(), Wait(), Reseated(), Withdraw(),
)  # fmt: skip

VERBS: Mapping[str, Verb[Any]] = {verb.name: verb for verb in _ALL if verb.offered}
"""Verbs that clients may send, in the order in which a person would look for them."""
STEPS: Mapping[str, Verb[Any]] = {verb.name: verb for verb in _ALL if verb.step is not None}
"""Verbs that may be steps of a procedure."""
