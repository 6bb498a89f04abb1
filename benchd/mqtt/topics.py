"""The topic tree below `benchd/<bench>/`, and the rule for names in it.

A topic's first character is always ASCII, and no name contains a wildcard, a slash or a space: brokers have crashed on
less.
"""

from __future__ import annotations

import re

from benchd.commands.address import CommandAddress
from benchd.errors import Refused

ROOT = "benchd"
NAME = re.compile(r"[a-z0-9_-]{1,32}")
_RESPONSE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_./:-]{0,199}")


def is_name(text: str) -> bool:
    """Whether `text` may be one level of a topic: 1 to 32 of `a-z 0-9 _ -`."""
    return NAME.fullmatch(text) is not None


class Topics:
    """The topics of one bench. Raises Refused (bad_request) for an invalid bench name."""

    def __init__(self, bench: str) -> None:
        if not is_name(bench):
            raise Refused("bad_request", f"{bench!r} is not a bench name.", advice="Use 1 to 32 of a-z, 0-9, _ and -.")
        self.bench = bench
        self.base = f"{ROOT}/{bench}/"
        self.online = self.base + "online"
        self.commands = self.base + "command/+/+"
        self.all_commands = self.base + "command/#"
        self.stops = self.base + "command/+/stop"
        self.device_and_finding_topics = (self.base + "device/+", self.base + "finding/+")
        self.kept_topics = (self.base + "+", *self.device_and_finding_topics)

    def full(self, below: str) -> str:
        """The whole topic of `below` (such as `device/carriage`)."""
        return self.base + below

    def below(self, topic: str) -> str | None:
        """The part after `benchd/<bench>/`, or None for a topic outside it."""
        return topic[len(self.base) :] if topic.startswith(self.base) else None

    def command(self, user: str, verb: str) -> str:
        """The topic of a command `verb` by `user`."""
        return f"{self.base}command/{user}/{verb}"

    def reply(self, user: str) -> str:
        """The topic of replies to `user`."""
        return f"{self.base}reply/{user}"

    def is_command(self, topic: str) -> bool:
        """Whether the topic is below `command/`, well-formed or not."""
        return topic.startswith(self.base + "command/")

    def parse_command(self, topic: str) -> CommandAddress:
        """User and verb of a command topic; Refused (bad_request) when it has other levels or other characters."""
        levels = (self.below(topic) or "").split("/")
        if len(levels) != 3 or levels[0] != "command" or not is_name(levels[1]) or not is_name(levels[2]):
            raise Refused(
                "bad_request",
                "The topic is not that of a command.",
                advice="Publish to command/<user>/<verb>, each name 1 to 32 of a-z, 0-9, _ and -.",
            )
        return CommandAddress(levels[1], levels[2])

    def command_address(self, topic: str) -> CommandAddress | Refused:
        """The same for the intake, which replies to malformed topics as well: the refusal is returned, not raised."""
        try:
            return self.parse_command(topic)
        except Refused as refused:
            return refused

    def may_answer_at(self, topic: str, user: str) -> bool:
        """Whether a client's MQTT 5 response topic may be published to.

        The daemon may write where the client may not, so a response topic inside any bench's tree must be the
        user's own reply topic (or below it), and elsewhere plain ASCII without wildcards.
        """
        if _RESPONSE.fullmatch(topic) is None:
            return False
        if topic == ROOT or topic.startswith(ROOT + "/"):
            return topic == self.reply(user) or topic.startswith(self.reply(user) + "/")
        return True
