"""The private parts of the client library that `benchd/mqtt/client.py` mends or uses are what they were then."""

from __future__ import annotations

import hashlib
import inspect
import tomllib
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import aiomqtt
import paho.mqtt.client as paho
import pytest

PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"
WRITTEN_FOR = {"aiomqtt": "2.5", "paho-mqtt": "2.2"}

# By the part, the SHA-256 of its source without spaces and blank lines, of the versions in requirements.lock.
LIBRARYS: dict[str, tuple[Callable[..., Any], str, str]] = {
    "Client._wait_for": (
        aiomqtt.Client._wait_for,
        "b35fc5340540c408",
        "overridden, for a cancellation that wait_for swallows",
    ),
    "Client._on_socket_register_write": (
        aiomqtt.Client._on_socket_register_write,
        "adec46a7de2c089f",
        "overridden, for a socket that is closed already",
    ),
    "Client._on_message": (
        aiomqtt.Client._on_message,
        "4c2445eecbe6410a",
        "called by ours, which acknowledges at once",
    ),
    "Client._on_publish": (
        aiomqtt.Client._on_publish,
        "028c0b8d9ca1c5aa",
        "called by ours, which acknowledges at once",
    ),
    "Client._on_disconnect": (
        aiomqtt.Client._on_disconnect,
        "be85044963496318",
        "called by ours, which ends a wait for an answer",
    ),
    "Client.__aenter__": (aiomqtt.Client.__aenter__, "86215a82be7b23f2", "`_connected` is what it waits for"),
    "Client.__aexit__": (
        aiomqtt.Client.__aexit__,
        "6eacd53be61e3305",
        "`_disconnected` and `_misc_task` are what it ends",
    ),
    "paho Client._ssl_wrap_socket": (
        paho.Client._ssl_wrap_socket,
        "1bc320e0f8ddaa55",
        "replaced, for a socket it leaves open",
    ),
    "paho Client._sock_close": (
        paho.Client._sock_close,
        "0bf0e73350360b53",
        "called, where a connection is given up half-way",
    ),
    "paho Client.loop_write": (paho.Client.loop_write, "e11bae610a8fd92c", "called whenever the socket can take more"),
}


def digest(part: Callable[..., Any]) -> str:
    lines = [line.strip() for line in inspect.getsource(part).splitlines()]
    return hashlib.sha256("\n".join(filter(None, lines)).encode()).hexdigest()[:16]


@pytest.mark.parametrize("name", LIBRARYS)
def test_a_part_is_as_it_was(name: str) -> None:
    part, was, why = LIBRARYS[name]
    assert digest(part) == was, (
        f"{name} has changed: {why}. Read it beside benchd/mqtt/client.py, see whether that still holds (and "
        f"is still needed), run tests/remote, tests/broker and tests/client, then write {digest(part)} here."
    )


@pytest.mark.parametrize("package", WRITTEN_FOR)
def test_another_minor_version_is_not_installed(package: str) -> None:
    minor = WRITTEN_FOR[package]
    following = f"{minor.split('.')[0]}.{int(minor.split('.')[1]) + 1}"
    wanted = tomllib.loads(PYPROJECT.read_text("utf-8"))["project"]["dependencies"]
    assert f"{package}>={minor},<{following}" in wanted
    assert version(package).rsplit(".", 1)[0] == minor
