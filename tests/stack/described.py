"""Messages held against the AsyncAPI document that goes with the bench: topic, payload, how it is sent."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from jsonschema import Draft7Validator
from referencing import Registry
from referencing.jsonschema import DRAFT7

DOCUMENT = Path(__file__).resolve().parents[2] / "configs" / "schemas" / "asyncapi.json"
HERE = "urn:asyncapi"


@dataclass(frozen=True, slots=True)
class Message:
    """As it came over the broker."""

    topic: str
    payload: bytes
    qos: int


class Described:
    """The document, asked about messages one after the other: a reply is judged by the command that it answers."""

    def __init__(self) -> None:
        self.document: dict[str, Any] = json.loads(DOCUMENT.read_text(encoding="utf-8"))
        resource = DRAFT7.create_resource(self.document)
        self._registry: Registry[Any] = Registry().with_resource(HERE, resource)
        forms = {
            name: re.compile(re.sub(r"\\\{\w+\\\}", "[a-z0-9_-]{1,32}", re.escape(channel["address"])))
            for name, channel in self.document["channels"].items()
        }
        # A topic that stands there letter by letter goes before one with a place for any name.
        self._forms = sorted(forms.items(), key=lambda item: item[1].pattern.count("{1,32}"))
        self._asked: dict[str, tuple[str, bytes]] = {}
        self.accepted: set[str] = set()

    def channel_of(self, topic: str) -> str | None:
        """The channel whose address the topic fits."""
        return next((name for name, form in self._forms if form.fullmatch(topic)), None)

    def bindings(self, channel: str) -> dict[str, Any]:
        """How the messages of a channel are sent: `qos` and `retain`."""
        found: dict[str, Any] = self.document["operations"][channel]["bindings"]["mqtt"]
        return found

    def problem(self, message: Message) -> str | None:
        """What is wrong with a message by the document, or None.

        What anybody asks may be wrong; what was accepted must have been as described.
        """
        name = self.channel_of(message.topic)
        if name is not None and name.startswith("command_"):
            self._note(name, message.payload)
            return None
        if name is None:
            return None if "/command/" in message.topic else f"no channel for {message.topic}"
        if message.qos < self.bindings(name)["qos"]:
            return f"{message.topic} came with QoS {message.qos}"
        if name == "reply":
            return self._reply_problem(message.payload)
        return self._none_fits(self.document["channels"][name]["messages"], message.payload)

    def _note(self, channel: str, payload: bytes) -> None:
        try:
            request = json.loads(payload)
        except ValueError:
            return
        if isinstance(request, dict) and isinstance(request.get("id"), str):
            self._asked[request["id"]] = channel, payload

    def _reply_problem(self, payload: bytes) -> str | None:
        reply = json.loads(payload)
        if (reply.get("id") or "") not in self._asked:
            return self._none_fits(["refused", "stop_accepted"], payload)
        channel, request = self._asked[reply["id"]]
        answers = self.document["operations"][channel]["reply"]["messages"]
        problem = self._none_fits([answer["$ref"].rpartition("/")[2] for answer in answers], payload)
        if problem is None and reply["ok"]:
            self.accepted.add(channel)
            problem = self._none_fits(self.document["channels"][channel]["messages"], request)
        return problem

    def _none_fits(self, messages: Iterable[str], payload: bytes) -> str | None:
        """Why it is not exactly one of these messages, or None."""
        wrong: list[str] = []
        fitting: list[str] = []
        for name in messages:
            if "payload" not in self.document["components"]["messages"][name]:
                problem = None if not payload else "is not empty"
            elif not payload:
                problem = "is empty"
            else:
                problem = self._against(name, json.loads(payload))
            if problem is None:
                fitting.append(name)
            else:
                wrong.append(f"{name}: {problem}")
        if len(fitting) == 1:
            return None
        return f"fits {', '.join(fitting)}" if fitting else "; ".join(wrong)

    def _against(self, name: str, value: Any) -> str | None:
        schema = {"$ref": f"{HERE}#/components/messages/{name}/payload"}
        errors = Draft7Validator(schema, registry=self._registry).iter_errors(value)
        return next((f"{error.json_path}: {error.message[:300]}" for error in errors), None)
