"""The checks that every command passes, in fixed order, before anything is carried out.

topic, size and JSON, retained flag, envelope, verb, arguments, beat and epoch, id, role, control; then the handler.

Every message gets an answer; only cancellation is ever raised. A refused command leaves the bench untouched. Commands
of one user are handled in order of arrival, except those with `Verb.at_once`; commands of different users concurrently.
The checks are made when a command's turn comes, so that one which waited too long is stale by then.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from benchd.commands.address import CommandAddress
from benchd.commands.beat import Beat
from benchd.commands.control import Control, Roles
from benchd.commands.envelope import Envelope
from benchd.commands.events import LimitedEvents
from benchd.commands.ids import SeenIds
from benchd.commands.json_gate import read_object
from benchd.errors import BenchdError, Refused
from benchd.files.wording import ended, what_may_stand
from benchd.verbs.order import Command, Lease, Runs
from benchd.verbs.table import VERBS
from benchd.verbs.verb import Verb

if TYPE_CHECKING:
    from benchd.bench.bench import Bench

_log = logging.getLogger(__name__)
ModelT = TypeVar("ModelT", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Request:
    """A command that passed every check. `fresh`: it had a beat that was recent enough to start motion."""

    user: str
    verb: str
    id: str
    args: Any
    fresh: bool = False


Handler = Callable[[Request], Awaitable[dict[str, Any]]]
"""Carries a request out, or starts it, and returns its result; refuses by raising a BenchdError."""


class Intake:
    """The checks in front of the handlers, one handler per verb of `VERBS`; a verb without a handler is unknown."""

    def __init__(
        self,
        handlers: Mapping[str, Handler],
        *,
        control: Control,
        roles: Roles,
        beat: Beat,
        ids: SeenIds,
        events: LimitedEvents,
        most_waiting: int = 32,
        verbs: Mapping[str, Verb[Any]] = VERBS,
    ) -> None:
        unspecified = sorted(set(handlers) - set(verbs))
        if unspecified:
            raise ValueError(f"handlers for verbs that there are not: {', '.join(unspecified)}")
        self._handlers = dict(handlers)
        self._control = control
        self._roles = roles
        self._beat = beat
        self._ids = ids
        self._events = events
        self._most_waiting = most_waiting
        self._verbs = verbs
        self._turns: dict[str, tuple[asyncio.Lock, int]] = {}

    async def handle(
        self, address: CommandAddress | Refused, payload: bytes, *, retained: bool = False
    ) -> dict[str, Any]:
        """The reply to one message: `{"id":..,"ok":true,"result":{}}`, or `"ok":false` with the `error`.

        `address` is user and verb, or the refusal of a topic that does not give them.
        """
        ident: str | None = None
        user = verb = "?"
        try:
            if isinstance(address, Refused):
                raise address
            user, verb = address.user, address.verb
            document = self._read(payload, retained=retained)
            ident = _ident(document)
            if retained:
                raise Refused("retained", "A retained command is never carried out.", advice="Publish without retain.")
            result = await self._in_turn(user, verb, document)
            return {"id": ident, "ok": True, "result": result}
        except BenchdError as error:
            self._publish_error(error, user, verb, ident)
            return {"id": ident, "ok": False, "error": error.as_json()}
        except Exception:  # noqa: BLE001 a handler may fail in any way; the daemon must go on for other users
            reference = secrets.token_hex(4)
            _log.exception("command %s of %s failed (%s)", verb, user, reference)
            fault = BenchdError(
                "device_fault",
                f"The command failed inside benchd; the log has the cause under {reference}.",
                advice="Look at the state of the bench before asking again.",
                data={"reference": reference},
            )
            self._publish_error(fault, user, verb, ident)
            return {"id": ident, "ok": False, "error": fault.as_json()}

    def _read(self, payload: bytes, *, retained: bool) -> dict[str, Any]:
        try:
            return read_object(payload)
        except Refused:
            if retained:  # the content does not matter: it is refused for being retained
                return {}
            raise

    async def _in_turn(self, user: str, verb: str, document: dict[str, Any]) -> dict[str, Any]:
        spec = self._verbs.get(verb)
        if spec is not None and spec.at_once:
            request = self._admit(user, verb, document)
            return await self._handlers[verb](request)
        lock, waiting = self._turns.get(user, (asyncio.Lock(), 0))
        if waiting >= self._most_waiting:
            raise Refused("busy", f"{waiting} commands of {user} wait already.", advice="Wait for their answers.")
        self._turns[user] = (lock, waiting + 1)
        try:
            async with lock:
                request = self._admit(user, verb, document)
                return await self._handlers[verb](request)
        finally:
            left = self._turns[user][1] - 1
            if left:
                self._turns[user] = (lock, left)
            else:
                del self._turns[user]

    def _admit(self, user: str, verb: str, document: dict[str, Any]) -> Request:
        spec = self._verbs.get(verb)
        if spec is None or verb not in self._handlers:
            raise Refused("unknown_verb", f"There is no verb {verb}.", advice=f"Known: {', '.join(self._handlers)}.")
        envelope = _checked(Envelope, document)
        args = _checked(spec.args, envelope.args)
        fresh = self._fresh(envelope.beat, spec.beat_within_s, required=spec.beat.applies(args))
        self._ids.take(user, envelope.id)
        self._roles.need(user, spec.role)
        if spec.control.applies(args):
            self._control.need(user)
        elif spec.of_runs_holder:
            self._control.need_in_run(user)
        self._control.touch(user)
        return Request(user, verb, envelope.id, args, fresh)

    def _fresh(self, beat: str | None, within_s: float | None, *, required: bool) -> bool:
        if required:
            self._beat.check(beat, within_s)
            return True
        if beat is None:
            return False
        # A command sent to an earlier start of the daemon is refused even if it moves nothing.
        self._beat.check_epoch(beat)
        try:
            self._beat.check(beat)
        except Refused:
            return False
        return True

    def _publish_error(self, error: BenchdError, user: str, verb: str, ident: str | None) -> None:
        wanted = verb == "take" and error.code == "not_holder"
        # Every user reads this event, so it has to name user and verb.
        became = "was refused" if isinstance(error, Refused) else "failed"
        text = error.text if user == "?" else f"'{verb}' of {user} {became}: {error.text}"
        self._events.tell(
            "control_wanted" if wanted else error.code,
            f"{user} wants control." if wanted else text,
            severity="info" if wanted else "warning",
            advice="Release it, or hand it over with `to`." if wanted else error.advice,
            cause=ident,
            data={**error.data, "user": user, "verb": verb},
        )


def make_handlers(bench: Bench, runs: Runs, lease: Lease) -> dict[str, Handler]:
    """A handler for every verb on this bench, with its runs and its lease."""

    def handler(verb: Verb[Any]) -> Handler:
        async def handle(request: Request) -> dict[str, Any]:
            # The beat was checked without an await in between: no stop has come since the command was sent.
            since = bench.carriage.stops
            return await verb.command(request.args, Command(bench, request.user, since, request.id, runs, lease))

        return handle

    return {name: handler(verb) for name, verb in VERBS.items()}


def _ident(document: dict[str, Any]) -> str | None:
    """The id for the reply, if it is fit to be repeated."""
    ident = document.get("id")
    return ident if isinstance(ident, str) and 0 < len(ident) <= 64 else None


def _checked(model: type[ModelT], document: dict[str, Any]) -> ModelT:
    try:
        return model.model_validate(document)
    except ValidationError as error:
        found: dict[str, list[str]] = {}
        for problem in error.errors(include_url=False)[:8]:
            keys = _keys_at(model, problem["loc"][:-1])
            whats = found.setdefault(_place(document, problem)[:200], [])
            what = what_may_stand(problem, keys)[:300]
            if what not in whats:
                whats.append(what)
        problems = [{"where": where, "what": "; or ".join(whats)} for where, whats in found.items()]
        first = problems[0]
        text = f"{first['where']}: {first['what']}" if first["where"] else first["what"]
        known = ", ".join(model.model_fields) or "none"
        raise Refused(
            "bad_request", ended(text), advice=f"Known arguments: {known}.", data={"problems": problems}
        ) from None


def _place(document: Any, problem: ErrorDetails) -> str:
    """The path of the problem in the document, without the names of union members that the model tried."""
    path, here = [], document
    for part in problem["loc"]:
        there = part in here if isinstance(here, dict) else isinstance(here, list) and isinstance(part, int)
        if there:
            here = here[part]
            path.append(str(part))
    if problem["type"] == "missing":
        path.append(str(problem["loc"][-1]))
    return ".".join(path)


def _keys_at(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys known at a place inside a document, as far as the models define them."""
    for part in loc:
        field = model.model_fields.get(str(part))
        inner = field.annotation if field is not None else None
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return []
        model = inner
    return list(model.model_fields)
