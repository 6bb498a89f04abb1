"""Both children, for real: they listen on loopback alone, die with us, give way on taken ports, and are restarted."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import sys
import textwrap
import time
from dataclasses import replace

import psutil
import pytest

from benchd.broker.config import Child, Ports, choose_child, mosquitto_executable
from benchd.broker.embedded import EmbeddedBroker
from benchd.broker.watchdog import Watchdog, echoes
from benchd.devices.clock import Clock
from benchd.errors import BenchdError, Refused


async def test_every_listener_echoes_and_is_on_loopback_only(broker: EmbeddedBroker) -> None:
    for listener in broker.listeners():
        assert await echoes(listener), listener
    assert broker.pid is not None
    bound = {c.laddr for c in psutil.Process(broker.pid).net_connections("inet") if c.status == psutil.CONN_LISTEN}
    assert {address.ip for address in bound} == {"127.0.0.1"}
    assert {address.port for address in bound} == set(broker.ports.all())


async def test_a_page_of_the_web_finds_no_way_in(broker: EmbeddedBroker) -> None:
    """A page of any origin, opened in a browser on the bench's machine, could take control over WebSocket and home.

    A handshake (RFC 6455, 4.1) is answered nowhere; what listens beside the two ports is told by the test before.
    """
    assert broker.pid is not None
    bound = {c.laddr.port for c in psutil.Process(broker.pid).net_connections("inet") if c.status == psutil.CONN_LISTEN}
    for port in bound:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(
            f"GET /mqtt HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
            "Origin: https://page.example\r\nSec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
            "Sec-WebSocket-Protocol: mqtt\r\nSec-WebSocket-Version: 13\r\n\r\n".encode()
        )
        said = b""
        with contextlib.suppress(TimeoutError, ConnectionError):
            async with asyncio.timeout(120):
                said = await reader.readline()
        assert b"101" not in said
        writer.close()


async def test_which_port_speaks_what_is_told(broker: EmbeddedBroker) -> None:
    """A client of the wrong version was closed without a word, and no line said which port takes which."""
    (said,) = [sentence for sentence in broker.messages if sentence.startswith("Broker")]
    both = await asyncio.gather(*(echoes(replace(at, version="5")) for at in broker.listeners()))
    v4, v5 = broker.ports.all()
    assert "no WebSocket" in said
    if broker.child == "mosquitto":
        assert both == [True, True]
        assert f"MQTT 3.1.1 and 5 on {v4} and on {v5}" in said
    else:
        assert both == [False, True]
        assert f"MQTT 3.1.1 on {v4}, MQTT 5 on {v5} (the other version is closed there without an answer)" in said


async def test_taken_ports_are_replaced_and_told(child: Child) -> None:
    with socket.socket() as squatter:
        squatter.bind(("127.0.0.1", 0))
        squatter.listen()
        taken = squatter.getsockname()[1]
        async with EmbeddedBroker(Clock(), child=child, ports=Ports(taken, 0)) as broker:
            assert broker.ports.v4 != taken
            assert any(str(taken) in sentence and str(broker.ports.v4) in sentence for sentence in broker.messages)
            assert await echoes(broker.listeners()[0])


async def test_ports_are_free_after_stop(child: Child) -> None:
    async with EmbeddedBroker(Clock(), child=child, ports=Ports(0, 0)) as broker:
        pid, ports = broker.pid, broker.ports
    assert pid is not None
    assert not psutil.pid_exists(pid)
    for port in ports.all():
        with socket.socket() as again:
            again.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            again.bind(("127.0.0.1", port))


async def test_child_dies_with_a_killed_parent(child: Child) -> None:
    script = textwrap.dedent(f"""
        import asyncio
        from benchd.devices.clock import Clock
        from benchd.broker.embedded import EmbeddedBroker
        from benchd.broker.config import Ports
        async def main():
            async with EmbeddedBroker(Clock(), child="{child}", ports=Ports(0, 0)) as broker:
                print(broker.pid, flush=True)
                await asyncio.sleep(60)
        asyncio.run(main())
    """)
    parent = await asyncio.create_subprocess_exec(sys.executable, "-c", script, stdout=asyncio.subprocess.PIPE)
    assert parent.stdout is not None
    pid = int(await parent.stdout.readline())
    assert psutil.pid_exists(pid)
    parent.kill()
    await parent.wait()
    deadline = time.monotonic() + 20
    while psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE:
        assert time.monotonic() < deadline, "the broker outlived its parent"
        await asyncio.sleep(0.01)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root has a user to lay down")
async def test_mosquitto_does_not_run_as_root() -> None:
    async with EmbeddedBroker(Clock(), child="mosquitto", ports=Ports(0, 0)) as broker:
        assert psutil.Process(broker.pid).uids().real != 0
        assert any("as user" in sentence for sentence in broker.messages)


async def test_a_child_that_cannot_start_tells_its_last_words(child: Child, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("benchd.broker.embedded.config_text", lambda *_: "this is = no [configuration\n")
    broker = EmbeddedBroker(Clock(), child=child, ports=Ports(0, 0))
    with pytest.raises(BenchdError) as caught:
        await broker.start()
    assert caught.value.code == "device_fault"
    assert caught.value.data["last_words"]
    assert broker.pid is None


def test_embedded_refuses_every_other_address() -> None:
    for address in ("0.0.0.0", "::", "192.0.2.7", "localhost.example"):
        with pytest.raises(Refused) as caught:
            EmbeddedBroker(Clock(), address=address)
        assert caught.value.code == "not_allowed"
        assert "name it by its URL" in caught.value.advice


def test_auto_prefers_mosquitto_where_there_is_one() -> None:
    assert choose_child("auto") == ("mosquitto" if mosquitto_executable() else "iotcore")
    assert choose_child("iotcore") == "iotcore"


async def answer(broker: EmbeddedBroker) -> list[bool]:
    """Whether each listener does. One broker sometimes never answers who connects in the instant in which a client of
    the other version leaves: each is asked twice."""
    return [await echoes(listener) or await echoes(listener) for listener in broker.listeners()]


async def test_killed_broker_is_restarted_on_its_ports(broker: EmbeddedBroker) -> None:
    messages: asyncio.Queue[str] = asyncio.Queue()
    ports = broker.ports
    dog = Watchdog(broker, Clock(), messages.put_nowait)
    watching = asyncio.create_task(dog.run())
    await asyncio.sleep(0.1)
    assert broker.pid is not None
    os.kill(broker.pid, signal.SIGKILL)
    async with asyncio.timeout(5):
        reason = await messages.get()
    assert "ended" in reason
    assert broker.ports == ports
    assert await answer(broker) == [True, True]
    watching.cancel()
    await asyncio.wait({watching})


async def test_hung_broker_is_restarted_after_two_failures(broker: EmbeddedBroker) -> None:
    """The process lives, the ports accept, nothing answers: SIGSTOP makes that of any broker."""
    messages: asyncio.Queue[str] = asyncio.Queue()
    dog = Watchdog(broker, Clock(), messages.put_nowait, period_s=0.1)
    pid = broker.pid
    assert pid is not None
    os.kill(pid, signal.SIGSTOP)
    watching = asyncio.create_task(dog.run())
    async with asyncio.timeout(120):
        reason = await messages.get()
    watching.cancel()
    await asyncio.wait({watching})
    assert "nothing comes back" in reason
    assert broker.pid != pid
    assert await answer(broker) == [True, True]


async def test_router_killed_by_a_topic_is_found_and_replaced() -> None:
    """Known of rumqttd 0.20: a topic that begins with a non-ASCII character, while anybody listens, ends the router.

    The process lives on and its ports stay open, so that only an echo can tell.
    """
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    async with EmbeddedBroker(Clock(), child="iotcore", ports=Ports(0, 0)) as broker:
        messages: asyncio.Queue[str] = asyncio.Queue()
        stranger = paho.Client(CallbackAPIVersion.VERSION2)
        stranger.connect("127.0.0.1", broker.ports.v4)
        stranger.loop_start()
        stranger.subscribe("#")
        await asyncio.sleep(0.3)
        stranger.publish("\u00e9/x", b"x")
        await asyncio.sleep(0.3)
        stranger.loop_stop()
        with contextlib.suppress(OSError):
            stranger.disconnect()
        assert broker.pid is not None
        assert not await echoes(broker.endpoint)
        watching = asyncio.create_task(Watchdog(broker, Clock(), messages.put_nowait, period_s=0.1).run())
        async with asyncio.timeout(120):
            await messages.get()
        watching.cancel()
        await asyncio.wait({watching})
        assert await echoes(broker.endpoint)
