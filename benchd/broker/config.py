"""The embedded broker's configuration for either program, and the choice of program and ports."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
from dataclasses import dataclass
from typing import Literal

from benchd.errors import Refused

Child = Literal["iotcore", "mosquitto"]
LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Ports:
    """One port each for MQTT 3.1.1 and MQTT 5. There is none for WebSocket: either broker accepts any `Origin` there
    (RFC 6455, 10.2), so any page open in a browser on this machine could command the bench."""

    v4: int = 1883
    v5: int = 1884

    def all(self) -> tuple[int, int]:
        """The two, in order."""
        return (self.v4, self.v5)

    def by_name(self) -> dict[str, int]:
        """The two by the names in the address file."""
        return {"v4": self.v4, "v5": self.v5}

    def spoken(self, child: Child) -> str:
        """A sentence fragment: which port speaks which version."""
        if child == "mosquitto":
            return f"MQTT 3.1.1 and 5 on {self.v4} and on {self.v5}; no WebSocket"
        wrong = "the other version is closed there without an answer"
        return f"MQTT 3.1.1 on {self.v4}, MQTT 5 on {self.v5} ({wrong}); no WebSocket"


def mosquitto_executable() -> str | None:
    """The path of mosquitto, also if it is off a user's PATH as on Debian; None if it is not installed."""
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def choose_child(wish: Literal["auto", "iotcore", "mosquitto"]) -> Child:
    """mosquitto if installed, else iotcore, unless one is forced. Raises Refused (not_found) if that is missing."""
    if wish == "iotcore" or (wish == "auto" and mosquitto_executable() is None):
        return "iotcore"
    if mosquitto_executable() is None:
        raise Refused(
            "not_found", "The broker mosquitto is not installed.", advice="Install it, or say `child: iotcore`."
        )
    return "mosquitto"


def check_loopback(address: str) -> None:
    """The embedded broker has no accounts: Refused (not_allowed) for any address but loopback."""
    if address != LOOPBACK:
        raise Refused(
            "not_allowed",
            f"The embedded broker has no accounts and will not listen on {address}.",
            advice="Run mosquitto with TLS, accounts and an access list, and name it by its URL in the bench file.",
        )


def free_ports(wanted: Ports) -> tuple[Ports, list[str]]:
    """`wanted`, each port in use replaced by a free one; and a sentence for each replacement."""
    found: list[int] = []
    messages: list[str] = []
    for name, port in zip(("MQTT 3.1.1", "MQTT 5"), wanted.all(), strict=True):
        chosen = port if port and port not in found and _is_free(port) else _any_free(found)
        if port and chosen != port:
            messages.append(f"Port {port} ({name}) is taken; {chosen} is used instead.")
        found.append(chosen)
    return Ports(*found), messages


def _is_free(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
        return True


def _any_free(taken: list[int]) -> int:
    while True:
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.bind((LOOPBACK, 0))
            port = int(probe.getsockname()[1])
        if port not in taken:
            return port


def unprivileged_user(child: Child) -> str | None:
    """The user as whom a root daemon runs mosquitto: `mosquitto`, else `nobody`. None: no change of user.

    iotcore runs without a change, because it is Python and must read the installation, which may be in a home folder.
    """
    if child == "iotcore" or os.geteuid() != 0:
        return None
    for name in ("mosquitto", "nobody"):
        try:
            return pwd.getpwnam(name).pw_name
        except KeyError:
            continue
    return None


def config_text(child: Child, ports: Ports) -> str:
    """The whole configuration file. Payloads are bounded at 256 KiB, memory by segment and queue sizes."""
    return _mosquitto(ports) if child == "mosquitto" else _iotcore(ports)


def _mosquitto(ports: Ports) -> str:
    lines = [
        "per_listener_settings false",
        "allow_anonymous true",
        "persistence false",
        "max_packet_size 262144",
        "max_queued_messages 2000",
        "set_tcp_nodelay true",
        "connection_messages false",
        "log_dest stderr",
        "log_type error",
        "log_type warning",
        f"listener {ports.v4} {LOOPBACK}",
        f"listener {ports.v5} {LOOPBACK}",
    ]
    if os.geteuid() == 0 and unprivileged_user("mosquitto") is None:
        lines.append("user root")
    return "\n".join(lines) + "\n"


def _iotcore(ports: Ports) -> str:
    head = (
        "id = 0\n[router]\nid = 0\nmax_connections = 1000\nmax_outgoing_packet_count = 2000\n"
        "max_segment_size = 1048576\nmax_segment_count = 4\n"
    )
    listeners = (("v4", ports.v4), ("v5", ports.v5))
    return head + "".join(
        f'[{kind}.1]\nname = "{kind}"\nlisten = "{LOOPBACK}:{port}"\nnext_connection_delay_ms = 1\n'
        f"[{kind}.1.connections]\nconnection_timeout_ms = 5000\nmax_payload_size = 262144\n"
        "max_inflight_count = 100\ndynamic_filters = true\n"
        for kind, port in listeners
    )
