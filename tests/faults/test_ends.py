"""SIGTERM and Ctrl-C at any moment: at rest, dark, `online` false, ended with exit code 0, no child left.

Two seconds is what an end may take; the tests share their computer, print what they saw, and bound it by what waiting
for something that does not come would take.
"""

from __future__ import annotations

import asyncio
import fcntl
import json
import os
import random
import re
import signal
import socket
import subprocess
import termios
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path

import pytest
import pytest_asyncio

from benchd.testing.mqtt_rig import until
from stack import BIN
from tests.faults.conftest import Lab, lab

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module"), pytest.mark.xdist_group("faults-ends")]

WITHIN_S = 10.0


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench() -> AsyncIterator[Lab]:
    async with lab(seed=11, daemon=False) as found:
        yield found


async def nothing(bench: Lab) -> None:
    await bench.home()


async def homing(bench: Lab) -> None:
    await bench.client.command("home", axes=["carriage"])
    await bench.carriage(state="homing")
    await asyncio.sleep(0.2)


async def moving(bench: Lab) -> None:
    await bench.home()
    await bench.client.command("light", beat=False, light="target_light", level=0.6)
    await bench.client.command("move", axis="carriage", carriage_um=29_000)
    await bench.carriage(state="moving")


async def sweeping(bench: Lab) -> None:
    await bench.at_nominal()
    await bench.in_a_sweep(readings=3)


async def asking(bench: Lab) -> None:
    await bench.home()  # a controller is reset at each contact, and lights nothing before it is homed
    await bench.in_flange_check()
    await bench.client.command("light", beat=False, light="target_light", level=0.6)


async def without_a_board(bench: Lab) -> None:
    """The cable of the board is out, and the link is being opened again and again."""
    await bench.home()
    bench.fault("board", "unplug")
    await bench.carriage(state="offline")


async def before_a_deaf_board(bench: Lab) -> None:
    """The board hears and obeys but says nothing any more."""
    await moving(bench)
    bench.fault("board", "silence")


async def without_a_broker(bench: Lab) -> None:
    await moving(bench)
    os.kill(bench.broker, signal.SIGKILL)


async def before_a_frozen_broker(bench: Lab) -> None:
    await moving(bench)
    os.kill(bench.broker, signal.SIGSTOP)


Moment = Callable[[Lab], Awaitable[None]]
MUTE = (without_a_broker, before_a_frozen_broker)


@pytest.mark.parametrize(
    ("moment", "number"),
    [
        (nothing, signal.SIGINT),
        (homing, signal.SIGTERM),
        (moving, signal.SIGTERM),
        (sweeping, signal.SIGTERM),
        (asking, signal.SIGINT),
        (moving, signal.SIGHUP),
        (sweeping, signal.SIGQUIT),
        (without_a_board, signal.SIGTERM),
        (before_a_deaf_board, signal.SIGTERM),
        (without_a_broker, signal.SIGTERM),
        (before_a_frozen_broker, signal.SIGTERM),
    ],
)
async def test_asked_to_end(bench: Lab, moment: Moment, number: signal.Signals) -> None:
    async with bench.up(), bench.at():
        await moment(bench)
        online = bench.client.watch("online")
        began = time.monotonic()
        code = await bench.stack.end("daemon", number)
        took = time.monotonic() - began
        print(f"{moment.__name__}, {number.name}: ended after {took:.2f} s")
        assert (code, bench.log.count("Traceback")) == (0, 0), bench.log[-3000:]
        assert took < WITHIN_S, bench.log[-3000:]
        assert bench.left() == {}
        if moment not in MUTE:
            async with asyncio.timeout(120.0):
                assert [await anext(online), await anext(online)] == [("online", True), ("online", False)]
    bench.fault("board", "clear")
    bench.fault("board", "plug")
    assert await bench.rests()
    seen = bench.board()
    if moment not in (without_a_board, before_a_deaf_board):  # neither can be told to be dark, and one not asked
        assert seen["state"] in ("Idle", "Alarm"), seen
        assert seen["power"] == 0
    with bench.record() as record:
        assert record.execute("SELECT count(*) FROM run WHERE ended IS NULL").fetchone() == (0,)


async def test_each_stage_of_the_end_is_timed(bench: Lab, monkeypatch: pytest.MonkeyPatch) -> None:
    """Motion first, the record last; and an idle bench waits for none in vain."""
    monkeypatch.setenv("BENCHD_LOG", "debug")
    async with bench.up():
        said, began = len(bench.log), time.monotonic()
        assert await bench.stack.end("daemon", signal.SIGINT) == 0
        took = time.monotonic() - began
    stages = re.findall(r"ended +part='?([\w -]+?)'? took_s=([\d.]+)", bench.log[said:])
    names = [name for name, _ in stages]
    assert set(names) >= {"motion", "what runs", "links", "the bench", "devices", "mqtt", "broker", "the record"}
    assert names.index("motion") < names.index("devices") < names.index("mqtt") < names.index("broker")
    assert names[-1] == "the record"
    assert sum(float(seconds) for _, seconds in stages) <= took + 0.1, stages
    assert "did not end in" not in bench.log[said:]


async def test_asked_to_end_before_it_is_up(bench: Lab) -> None:
    draw = random.Random(4)
    for _ in range(6):
        async with bench.spawned() as daemon:
            await asyncio.sleep(draw.uniform(0.0, 1.2))
            await ends(bench, daemon, draw.choice([signal.SIGTERM, signal.SIGINT]))
        assert bench.board()["power"] == 0


SWALLOWS = """
import sys, time

class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == "benchd.daemon":
            try:
                time.sleep(1.0)
            except BaseException:
                pass

sys.meta_path.insert(0, Finder())
"""


async def test_asked_to_end_while_something_loads_that_lets_no_error_out(
    bench: Lab, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Extension modules may clear an error while they are loaded: it came up, and had forgotten that it was asked."""
    (tmp_path / "sitecustomize.py").write_text(SWALLOWS, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    async with bench.spawned() as daemon:
        await asyncio.sleep(0.3)
        await ends(bench, daemon, signal.SIGTERM)


async def test_asked_to_end_while_it_waits_for_a_broker_elsewhere(bench: Lab) -> None:
    """The broker the bench file names is not there (yet)."""
    file = bench.stack.bench_file
    text = file.read_text(encoding="utf-8")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))  # bound and deaf, so that nobody else listens there meanwhile
        elsewhere = f"mqtt: {{broker: mqtt://127.0.0.1:{taken.getsockname()[1]}}}\n"
        file.write_text(re.sub(r"(?m)^mqtt:.*\n(?: .*\n)+", elsewhere, text))
        try:
            async with bench.spawned() as daemon:
                await until(lambda: "no connection to the MQTT broker" in bench.log, 40.0)
                await ends(bench, daemon, signal.SIGTERM)
        finally:
            file.write_text(text)


async def ends(bench: Lab, daemon: asyncio.subprocess.Process, number: signal.Signals) -> None:
    daemon.send_signal(number)
    began = time.monotonic()
    async with asyncio.timeout(WITHIN_S):
        code = await daemon.wait()
    print(f"{number.name}: ended after {time.monotonic() - began:.2f} s")
    assert (code, bench.log.count("Traceback")) == (0, 0), bench.log[-3000:]
    assert bench.left() == {}


async def test_a_terminal_that_is_closed_ends_it_in_order(bench: Lab) -> None:
    """A window shut, or a line to another machine that broke, in the middle of a move with the light on."""
    told, loop = bench.stack.folder / "terminal.json", asyncio.get_running_loop()
    window, terminal = os.openpty()
    loop.add_reader(window, os.read, window, 65536)
    daemon = subprocess.Popen(  # noqa: ASYNC220  as a shell in that window starts it
        [BIN / "benchd", "up", bench.stack.bench_file, "--ports-file", told],
        stdin=terminal, stdout=terminal, stderr=terminal, start_new_session=True,
        env={**os.environ, "XDG_RUNTIME_DIR": str(bench.stack.folder / "xdg")},
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # noqa: PLW1509  nothing else makes it a terminal's
    )  # fmt: skip
    os.close(terminal)
    try:
        await until(told.exists, 30.0)
        bench.stack.ports = json.loads(told.read_text(encoding="utf-8"))
        async with bench.at():
            await moving(bench)
            loop.remove_reader(window)
            os.close(window)
            await until(lambda: daemon.poll() is not None, WITHIN_S + 3.0)
    finally:
        daemon.kill()
        daemon.wait()
    assert daemon.returncode == 0
    assert await bench.rests()
    seen = bench.board()
    assert (seen["state"], seen["power"]) == ("Idle", 0), seen
    assert seen["um"] < 28_000.0, "not at its goal"
