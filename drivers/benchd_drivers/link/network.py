"""A TCP connection as a port: `socket://host:port`."""

from __future__ import annotations

import socket
from urllib.parse import urlsplit

URL = r"^socket://[^/:\s]+:\d{1,5}/?$"
CONNECTS_S = 5.0


def open_socket(url: str) -> socket.socket:
    """Connect (blocking; runs in the port's thread). Raises OSError, TimeoutError among them.

    Not by pyserial, whose port leaves a socket open that the other end has reset.
    """
    parts = urlsplit(url)
    connection = socket.create_connection((parts.hostname, parts.port), timeout=CONNECTS_S)
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # a question is small, and waited for
    return connection
