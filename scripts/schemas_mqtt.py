"""What goes over MQTT as one AsyncAPI 3.0.0 document, operations as the daemon sees them.

https://github.com/asyncapi/spec/blob/v3.0.0/spec/asyncapi.md, and for the bindings
https://github.com/asyncapi/bindings/blob/master/mqtt/README.md, version 0.2.0.
"""

from __future__ import annotations

import inspect
from importlib.metadata import version
from typing import Any

from pydantic import Field, TypeAdapter, create_model
from pydantic.json_schema import JsonSchemaMode

from benchd.commands.envelope import Envelope
from benchd.files.mqtt_section import Mqtt
from benchd.mqtt.connection import KEEPALIVE_S
from benchd.remote.documents import PUBLICATIONS
from benchd.remote.replies import RESULTS, Accepted, Refusal
from benchd.verbs.stop import StopArgs
from benchd.verbs.table import VERBS
from benchd.verbs.verb import Verb
from schemas_files import Plain

Doc = dict[str, Any]

ABOUT = """\
Operations are those of the daemon: what it sends, a client subscribes to; what it receives, a client publishes.

A command is answered at once on `reply/{user}`: taken or refused. How it ended is an `event` whose `cause` is the id.
Over MQTT 5 the answer goes to the response topic as well, with the correlation data of the request. An id is carried
out once; a retained command never. `x-needs` says what a verb needs: a role, control of the bench (`take`), and the
`beat` of the last three seconds where it can start motion. `stop` needs nothing at all.

Numbers are finite; what cannot be said is null. Units stand in the names. Later versions may add keys and topics.
"""
PARAMETERS = {
    "bench": "The name of the bench, as in its bench file.",
    "device": "Its role, or its own name where it has none.",
    "assessment": "What was assessed, such as `flange`.",
    "user": "Who asks. An embedded broker believes the name; another's access list can hold each to their own topics.",
}
ANYTHING = """Everything that moves stops, whatever stands in the message, also an empty one; an id is answered with."""


MQTT = {"bindingVersion": "0.2.0"}
BY_ID = {"correlationId": {"location": "$message.payload#/id"}}


class Draft7(Plain):
    """As AsyncAPI has its schemas, a superset of draft 07; and nothing that is told is left to a default."""

    def tuple_schema(self, schema: Any) -> Doc:
        found = super().tuple_schema(schema)
        return {"items" if key == "prefixItems" else key: value for key, value in found.items()}

    def dataclass_schema(self, schema: Any) -> Doc:
        return {**super().dataclass_schema(schema), "additionalProperties": False}

    def default_schema(self, schema: Any) -> Doc:
        return self.generate_inner(schema["schema"]) if self.mode == "serialization" else super().default_schema(schema)

    def field_is_required(self, field: Any, total: bool) -> bool:
        if self.mode == "serialization":
            return field.get("serialization_exclude_if") is None
        return super().field_is_required(field, total)


class _Parts:
    """The parts of the document that refer to each other, while they are put together."""

    def __init__(self) -> None:
        self.channels: Doc = {}
        self.operations: Doc = {}
        self.messages: Doc = {}
        self._models: dict[str, tuple[Any, JsonSchemaMode]] = {}

    def message(self, name: str, summary: str, model: Any = None, mode: JsonSchemaMode = "serialization") -> str:
        """A message; without a model it is empty."""
        assert name not in self.messages, name
        self.messages[name] = {"name": name, "summary": summary}
        if model is not None:
            self._models[name] = model, mode
        return name

    def channel(self, name: str, below: str, carried: list[str]) -> None:
        """A topic below that of the bench and what it carries."""
        assert name not in self.channels, name
        address = f"benchd/{{bench}}/{below}"
        self.channels[name] = {
            "address": address,
            "messages": {one: _ref("components/messages", one) for one in carried},
            "parameters": {one: _ref("components/parameters", one) for one in PARAMETERS if f"{{{one}}}" in address},
        }

    def operation(self, name: str, action: str, *, qos: int, kept: bool, **more: Any) -> None:
        """What the daemon does with all that a channel of the same name carries."""
        self.operations[name] = {
            "action": action,
            "channel": _ref("channels", name),
            "messages": [_ref(f"channels/{name}/messages", one) for one in self.channels[name]["messages"]],
            "bindings": {"mqtt": {"qos": qos, "retain": kept, **MQTT}},
            **more,
        }

    def schemas(self) -> Doc:
        """Give each message its payload; returns the schemas that they refer to."""
        payloads, shared = TypeAdapter.json_schemas(
            [(name, mode, TypeAdapter(model)) for name, (model, mode) in self._models.items()],
            ref_template="#/components/schemas/{model}",
            schema_generator=Draft7,
        )
        for (name, _), payload in payloads.items():
            self.messages[name]["payload"] = payload
        schemas: Doc = shared["$defs"]
        return schemas


def asyncapi() -> Doc:
    """The whole document."""
    parts = _Parts()
    _published(parts)
    _stop(parts)
    for verb, spec in VERBS.items():
        _command(parts, verb, spec)
    refused = parts.message("refused", _first(Refusal), Refusal)
    parts.messages[refused] |= BY_ID
    parts.channel("reply", "reply/{user}", [*(_accepted(verb) for verb in RESULTS), refused])
    parts.operation("reply", "send", qos=1, kept=False)
    schemas = parts.schemas()
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "benchd over MQTT", "version": version("benchd"), "description": ABOUT},
        "defaultContentType": "application/json",
        "servers": _servers(),
        "channels": parts.channels,
        "operations": parts.operations,
        "components": {
            "messages": parts.messages,
            "parameters": {name: {"description": text} for name, text in PARAMETERS.items()},
            "schemas": schemas,
        },
    }


def _published(parts: _Parts) -> None:
    for name, told in PUBLICATIONS.items():
        carried = [parts.message(name, _first(told.document), told.document)]
        if told.cleared:
            carried.append(parts.message(f"{name}_cleared", "An empty message: nothing stands here any more."))
        parts.channel(name, told.topic, carried)
        parts.operation(name, "send", qos=told.qos, kept=told.kept)


def _stop(parts: _Parts) -> None:
    args = (StopArgs, Field(default_factory=StopArgs))
    envelope = create_model("StopCommand", __base__=Envelope, __doc__=ANYTHING, id=(str | None, None), args=args)
    empty = parts.message("stop_empty", "An empty message stops as well.")
    _asked(parts, "stop", envelope, ANYTHING, {"control": "never", "beat": "never"}, [empty])


def _command(parts: _Parts, verb: str, spec: Verb[Any]) -> None:
    """The envelope of one verb: its own arguments, and a beat where it never does without."""
    needs = {"role": spec.role, "control": spec.control.in_words, "beat": spec.beat.in_words}
    args_needed = any(field.is_required() for field in spec.args.model_fields.values())
    fields: Doc = {"args": (spec.args, ... if args_needed else Field(default_factory=spec.args))}
    if needs["beat"] == "always":
        fields["beat"] = (str, Field(max_length=64))
    envelope = create_model(f"{verb.title()}Command", __base__=Envelope, __doc__=spec.does, **fields)
    _asked(parts, verb, envelope, spec.does, needs, [])


def _asked(parts: _Parts, verb: str, envelope: Any, does: str, needs: Doc, more: list[str]) -> None:
    """The request, the answer that it is taken, and the channel on which it comes in."""
    name = f"command_{verb}"
    parts.channel(name, f"command/{{user}}/{verb}", [parts.message(name, does, envelope, "validation"), *more])
    result = create_model(f"{verb.title()}Accepted", __base__=Accepted, __doc__=_first(Accepted), result=RESULTS[verb])
    accepted = parts.message(_accepted(verb), _first(Accepted), result)
    for one in (name, accepted):
        parts.messages[one] |= BY_ID
    parts.messages[name]["bindings"] = {
        "mqtt": {"correlationData": {"type": "string"}, "responseTopic": {"type": "string"}, **MQTT}
    }
    answers = [_ref("channels/reply/messages", one) for one in (accepted, "refused")]
    reply = {"channel": _ref("channels", "reply"), "messages": answers}
    parts.operation(name, "receive", qos=1, kept=False, summary=does, reply=reply, **{"x-needs": needs})


def _servers() -> Doc:
    """The embedded broker as it listens where the bench file says nothing else, and how the daemon is there."""
    will = {"topic": "benchd/{bench}/online", "qos": 1, "message": "false", "retain": True}
    daemon = {"cleanSession": True, "lastWill": will, "keepAlive": KEEPALIVE_S, **MQTT}
    here = "The embedded broker, on the bench's own machine."
    return {
        name: {
            "host": f"127.0.0.1:{port}", "protocol": "mqtt", "protocolVersion": spoken, "description": here,
            "bindings": {"mqtt": daemon},
        }
        for name, port, spoken in zip(("mqtt_3", "mqtt_5"), Mqtt().ports, ("3.1.1", "5"), strict=True)
    }  # fmt: skip


def _accepted(verb: str) -> str:
    return f"{verb}_accepted"


def _first(model: Any) -> str:
    """The first paragraph of what is said of a model."""
    return (inspect.getdoc(model) or "").partition("\n\n")[0].replace("\n", " ")


def _ref(place: str, name: str) -> Doc:
    return {"$ref": f"#/{place}/{name}"}
