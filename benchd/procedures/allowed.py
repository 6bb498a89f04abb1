"""What a user may not do by a command may not be done in a run of his own either."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from benchd.errors import Refused
from benchd.files.mqtt_section import UserRole
from benchd.procedures.language import Procedure
from benchd.procedures.steps import CallStep
from benchd.verbs.table import STEPS
from benchd.verbs.verb import Verb

Need = Callable[[str, UserRole], None]
"""Called with a user and the role that is needed; raises Refused('not_allowed') for a user below it."""


def anybody_may(user: str, role: UserRole) -> None:
    """On loopback, as long as no user was added."""


def require_roles(procedure: Procedure, library: Mapping[str, Procedure], user: str, need: Need) -> None:
    """Raise Refused('not_allowed'), naming the step, where the user's role does not reach for one, however unlikely
    that it is come to: what was measured would else be lost at its end."""
    for where, verb in _verbs(procedure, library):
        try:
            need(user, verb.role)
        except Refused as refused:
            advice = f"Have it run by a user who may `{verb.name}`. {refused.advice or ''}".strip()
            raise Refused(
                refused.code, f"The step `{verb.name}` of {where}: {refused.text}", advice=advice,
                data={**refused.data, "step": verb.name},
            ) from None  # fmt: skip


def _verbs(procedure: Procedure, library: Mapping[str, Procedure]) -> Iterator[tuple[str, Verb[Any]]]:
    """Each verb that it or a procedure called by it may carry out, with the name of the procedure."""
    seen: set[str] = set()
    waiting = [procedure]
    while waiting:
        one = waiting.pop()
        if one.procedure in seen:
            continue
        seen.add(one.procedure)
        for _, step in one.walk():
            if isinstance(step, CallStep):
                waiting += [library[step.call.procedure]] if step.call.procedure in library else []
            elif step.verb in STEPS:
                yield one.procedure, STEPS[step.verb]
