"""One run of the simulated hardware: from a world to open ports, and back to nothing."""

from __future__ import annotations

import asyncio
import ctypes
import fcntl
import os
import signal
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from benchd_simulators.firmware import hand
from benchd_simulators.firmware.journal import Journal
from benchd_simulators.firmware.machine import Machine
from benchd_simulators.firmware.rig import Rig, write_json
from benchd_simulators.firmware.wire import FaultRefused

PORTS = "ports.json"
_PR_SET_PDEATHSIG = 1


class InUse(Exception):
    """Another simulator serves this folder; one sentence."""


@contextmanager
def claimed(folder: Path) -> Iterator[None]:
    """The folder for this process alone. Raises InUse, OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    lock = os.open(folder / ".lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            raise InUse(f"A simulator already runs in {folder}; choose another --dir or stop it.") from error
        yield
    finally:
        os.close(lock)


def die_with_parent() -> None:
    """Have the kernel send SIGTERM when the parent process ends (prctl(2), PR_SET_PDEATHSIG)."""
    parent = os.getppid()
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0)
    if os.getppid() != parent:  # it died before the request
        os.kill(os.getpid(), signal.SIGTERM)


async def serve(
    machine: Machine,
    folder: Path,
    about: Mapping[str, Any],
    *,
    pace: float,
    camera_port: int,
    identity: str,
    native: bool,
    line: str | None,
    truth: Path | None,
    journal: Journal,
    ready: Callable[[Mapping[str, str]], None],
) -> None:
    """Run until SIGINT or SIGTERM. `ready` is told where everything is once ports.json is written.

    Raises OSError where a port cannot be made. The folder has to be claimed.
    """
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, stop.set)
    seed = int(about.get("seed", 0))
    rig = _kind_of_rig(line)(machine, folder, pace=pace, identity=identity, seed=seed, journal=journal, native=native)
    hand_server: asyncio.Server | None = None
    board = asyncio.create_task(rig.board.run(), name="board")
    try:
        where = await rig.plug(camera_port)
        hand_server = await hand.listen(folder, lambda command: act(machine, rig, command))
        where["hand"] = str(folder / hand.SOCKET)
        write_json(folder / PORTS, {**where, **about, "pid": os.getpid()})
        if truth is not None:
            write_json(truth, machine.truth())
        ready(where)
        waiting = asyncio.create_task(stop.wait(), name="stop")
        await asyncio.wait((waiting, board), return_when=asyncio.FIRST_COMPLETED)
        waiting.cancel()
    finally:
        if hand_server is not None:
            hand_server.close()
            (folder / hand.SOCKET).unlink(missing_ok=True)
        (folder / PORTS).unlink(missing_ok=True)
        await rig.unplug()
        board.cancel()
        await asyncio.wait((board,))
    if not board.cancelled():
        board.result()  # the board's own error, if it fell
    if truth is not None:
        write_json(truth, machine.truth())


def _kind_of_rig(line: str | None) -> type[Rig]:
    match line:
        case "modbus":
            from benchd_simulators.firmware.modbus.rig import ModbusRig

            return ModbusRig
        case "dmx":
            from benchd_simulators.firmware.dmx import DmxRig

            return DmxRig
    return Rig


async def act(machine: Machine, rig: Rig, command: dict[str, Any]) -> dict[str, Any]:
    """One command off the hand socket: a fault, the truth, or something for the hand itself."""
    try:
        if command.get("do") == "truth":
            return {"ok": True, "truth": machine.truth(float(command.get("lp_mm", 40.0)))}
        if command.get("do") == "fault":
            await rig.fault(str(command.get("who")), str(command.get("what")), dict(command.get("args") or {}))
            return {"ok": True}
        return machine.hand(command)
    except FaultRefused as refused:
        return {"ok": False, "error": str(refused)}
    except (TypeError, ValueError) as wrong:
        return {"ok": False, "error": f"That argument will not do: {wrong}."}
