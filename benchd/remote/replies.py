"""Models of the replies to commands; like `benchd.remote.documents` they only describe documents built elsewhere.

A reply says that a command was accepted or refused; its end is published as an `event` whose `cause` is the id.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from benchd.errors import ErrorCode
from benchd.remote.documents import Document
from benchd.verbs.result import Result
from benchd.verbs.stop import AtRest
from benchd.verbs.table import VERBS

RESULTS: Mapping[str, Any] = {"stop": AtRest, **{name: verb.result for name, verb in VERBS.items()}}
"""The `result` of each verb."""


class Accepted(Document):
    """The command was taken; its end is an event."""

    id: str | None
    ok: Literal[True]
    result: dict[str, Any]


class Error(Result):
    """Why not."""

    code: ErrorCode
    text: str
    """What happened, a sentence."""
    advice: str
    """What to do next, or empty."""
    data: dict[str, Any]
    """The figures behind it."""


class Refusal(Document):
    """The command was not carried out; the bench is as it was."""

    id: str | None
    """Null where the message had none that can be repeated."""
    ok: Literal[False]
    error: Error
