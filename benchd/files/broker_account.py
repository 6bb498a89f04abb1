"""The broker named in a bench file and the account there, with the password read from a file of its own.

A password must not be in a bench file or URL, as both are shown, copied and shared. It is alone in a file that only its
owner may read.
"""

from __future__ import annotations

import ipaddress
import os
import re
import ssl
import stat
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

from benchd.plugins import registered

_HOST = re.compile(r"[A-Za-z0-9_.-]+|\[[0-9A-Fa-f:.]+\]")
_URL = "such as mqtts://broker.lan:8883"
CARRIERS = "benchd.mqtt"
"""Functions as `benchd.mqtt.connection.open_connection`, named as the scheme of the URLs that they take."""
NO_SECRET = "a URL without name and password; write user: and password_file: beside it, with the secret in that file"
_LONGEST = 1024


@dataclass(frozen=True, slots=True)
class BrokerUrl:
    """The address of a broker: host (no brackets), port, whether to use TLS; `carrier` is what a package calls its own.

    MQTT goes over TCP, or over what another package carries it by (entry point group `CARRIERS`).
    """

    host: str
    port: int
    tls: bool
    carrier: str | None = None

    @property
    def loopback(self) -> bool:
        """Whether it is certainly on this machine."""
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return self.host == "localhost"


@dataclass(frozen=True, slots=True)
class Account:
    """How to log in; the password is kept out of every `repr`. `ca_file` None: the machine's own authorities."""

    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca_file: Path | None = None


NO_ACCOUNT = Account()


def broker_url(text: str) -> BrokerUrl:
    """`mqtt://host[:port]`, `mqtts://host[:port]`, or with the scheme of a package that carries MQTT.

    Raises ValueError saying what is allowed, not the text.
    """
    if "@" in text:
        raise ValueError(NO_SECRET)
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise ValueError(f"the URL of a broker, {_URL}") from None
    ours = parts.scheme in ("mqtt", "mqtts")
    carrier = parts.scheme if not ours and registered(CARRIERS).select(name=parts.scheme) else None
    if parts.scheme in ("ws", "wss") and carrier is None:
        raise ValueError(f"mqtt:// or mqtts://, {_URL}: benchd does not speak MQTT over WebSocket")
    host = parts.netloc.removesuffix(f":{port}") if port is not None else parts.netloc.removesuffix(":")
    rest = parts.path.strip("/") or parts.query or parts.fragment
    if not (ours or carrier) or _HOST.fullmatch(host) is None or rest or port == 0:
        raise ValueError(f"the URL of a broker, {_URL}")
    tls = parts.scheme == "mqtts"
    return BrokerUrl(parts.hostname or "", port or (8883 if tls else 1883), tls, carrier)


def read_secret(path: Path) -> str:
    """The single line of a file that only its owner may read. Raises ValueError saying what to do."""
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise ValueError(f"a file that can be read ({error.strerror}: {path})") from None
    try:
        _demand_private(os.fstat(handle), path)
        raw = os.read(handle, _LONGEST + 1)
    finally:
        os.close(handle)
    try:
        secret = raw.decode("utf-8").removesuffix("\n").removesuffix("\r")
    except UnicodeDecodeError:
        secret = ""
    if not secret or not secret.isprintable() or len(raw) > _LONGEST:
        raise ValueError("a file with the password alone in it, one line of text")
    return secret


def _demand_private(about: os.stat_result, path: Path) -> None:
    if not stat.S_ISREG(about.st_mode):
        raise ValueError("a plain file with the password in it")
    if about.st_uid not in (os.geteuid(), 0):
        raise ValueError(f"a file that belongs to who runs benchd, not to user id {about.st_uid}")
    if about.st_mode & 0o077:
        mode = stat.S_IMODE(about.st_mode)
        raise ValueError(f"a file that nobody else may read, and its mode is {mode:04o}; run chmod 600 {path}")


def check_authorities(path: Path) -> Path:
    """The path of a CA file, checked to hold certificates. Raises ValueError saying what is allowed."""
    try:
        ssl.create_default_context(cafile=str(path))
    except ssl.SSLError:
        raise ValueError(f"a file of certificates in PEM, which {path} is not") from None
    except OSError as error:
        raise ValueError(f"a file that can be read ({error.strerror}: {path})") from None
    return path
