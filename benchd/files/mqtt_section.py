"""The section `mqtt` of a bench file: broker, account, and roles of users."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchd.files.broker_account import broker_url
from benchd.files.names import Name, Record

Port = Annotated[int, Field(ge=0, le=65535)]
FilePlace = Annotated[str, Field(min_length=1, max_length=500)]
"""A file; a relative one is seen from the bench file."""
UserRole = Literal["look", "answer", "drive", "keep"]
"""What a user may do, each including those before: look and stop, answer questions, drive, keep the record."""


def _broker(text: str) -> str:
    if text != "embedded":
        try:
            broker_url(text)
        except ValueError as error:
            raise ValueError(f"'embedded', or {error}") from None
    return text


def _two_ports(value: Any) -> Any:
    if isinstance(value, list | tuple) and len(value) == 3:
        why = "a page of the web, opened in a browser on this machine, could command the bench through it"
        raise ValueError(f"two ports, for MQTT 3.1.1 and MQTT 5; WebSocket is not offered: {why}")
    return tuple(value) if isinstance(value, list) else value


class Mqtt(Record):
    """The broker: our own child process, or somebody's by URL, `mqtt://host:port` or over TLS `mqtts://host:port`.

    `child` says which program the embedded one is (auto: mosquitto where it is installed), `ports` where it listens
    for MQTT 3.1.1 and MQTT 5; 0 is any free port. A broker beyond this machine needs `mqtts`, an account (`user`, and
    `password_file` of mode 0600 with the password alone in it) and `users`: who may do what there. `ca_file` holds the
    certificates by which it is known, where that is not one of the machine's authorities. Whoever is not among
    `users` may look, and stop; without `users` every name is believed and may do everything. What a package carries
    MQTT by is a URL with that package's scheme, on this machine alone.
    """

    broker: Annotated[str, AfterValidator(_broker)] = "embedded"
    child: Literal["auto", "iotcore", "mosquitto"] = "auto"
    ports: Annotated[tuple[Port, Port], BeforeValidator(_two_ports)] = (1883, 1884)
    user: Annotated[str, Field(pattern=r"^[!-~]{1,64}$")] | None = None
    password_file: FilePlace | None = None
    ca_file: FilePlace | None = None
    users: Annotated[dict[Name, UserRole], Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _nothing_in_vain(self) -> Self:
        """Of what cannot come into force together one thing is refused."""
        if self.broker == "embedded":
            for key in ("user", "password_file", "ca_file"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key}: nothing where the broker is embedded: it has no accounts")
            return self
        for key in ("child", "ports"):
            if key in self.model_fields_set:
                raise ValueError(f"{key}: nothing where the broker is a URL: it is that of the embedded one")
        at = broker_url(self.broker)
        if (self.user is None) != (self.password_file is None):
            raise ValueError("user and password_file belong together")
        if self.ca_file is not None and not at.tls:
            raise ValueError("ca_file: nothing where the broker is no mqtts:// URL")
        if not at.loopback and (not at.tls or self.user is None):
            needs = "mqtts://, with user: and password_file: of the bench's account there"
            raise ValueError(f"broker: beyond this machine {needs}; anybody on the way could command the bench else")
        if not at.loopback and self.users is None:
            needs = "users: such as {alice: keep, wall: look}"
            raise ValueError(
                f"broker: beyond this machine with {needs}; every account of it could drive the bench else"
            )
        return self
