"""All that the doctor looks at, in order: this machine, the files, the ports, and the hardware or the running bench."""

from __future__ import annotations

import asyncio
import time
from collections.abc import AsyncIterator
from functools import partial
from pathlib import Path
from typing import Any

from benchd.bench.assembly import Assembly
from benchd.commissioning import brokers, machine, opening, ports
from benchd.commissioning.diagnosis import Found, in_thread, probe
from benchd.commissioning.seen import SeenPort, serial_ports
from benchd.errors import BenchdError
from benchd.files.bench_file import store_path
from benchd.files.loading import LoadedBench
from benchd.files.problems import FileProblems

LOOK_S, BROKER_S, READ_S = 10.0, 20.0, 60.0
SERIAL = "serial"


async def whole_bench(path: Path) -> tuple[LoadedBench | None, Assembly | None, list[Found]]:
    """The bench file as `benchd check` and `benchd up` read it, and what it says."""
    from benchd.procedures.read_bench import read_bench

    wait = Found("ports", "skipped", "Ports and devices wait until the file is right.")
    try:
        async with asyncio.timeout(READ_S):
            whole = await in_thread(partial(read_bench, path))
    except FileProblems as error:
        listed = [Found("bench file", "wrong", str(problem)) for problem in error.problems]
        return None, None, [*listed, wait]
    except TimeoutError:
        text = f"{path} could not be read within {READ_S:g} s."
        return None, None, [Found("bench file", "wrong", text, "Is it on a disk that does not answer?"), wait]
    except Exception as error:  # noqa: BLE001 a package's driver may raise anything
        return None, None, [Found("bench file", "wrong", f"{path}: {type(error).__name__}: {error}."), wait]
    fine = Found("bench file", "ok", f"{path} is fine, {len(whole.loaded.file.devices)} devices.")
    return whole.loaded, whole.assembly, [fine, *(Found("bench file", "note", note) for note in whole.notes)]


async def this_machine(loaded: LoadedBench | None, folder: Path) -> list[Found]:
    """Clock and disk."""
    files = [Path(machine.__file__)]
    if loaded is not None:
        files += [loaded.source.path, *(source.path for source in loaded.records.sources.values())]
        folder = (loaded.folder / store_path(loaded.file.store.url)).parent

    async def look() -> list[Found]:
        last = await in_thread(partial(_last_on_record, loaded))
        return await in_thread(partial(machine.clock, time.time(), files, last))

    async def room() -> list[Found]:
        return await in_thread(partial(machine.disk, folder.absolute()))

    return [*await probe("clock", LOOK_S, look), *await probe("disk", LOOK_S, room)]


def _last_on_record(loaded: LoadedBench | None) -> list[str]:
    """The time of the last event, where there is a record; what is wrong with one is told by the file's own check."""
    from benchd.records.reader import Reader

    if loaded is None:
        return []
    try:
        with Reader.open(loaded.file.store.url, loaded.folder) as record:
            return [event.at for event in record.events(limit=1)]
    except BenchdError:
        return []


async def broker(loaded: LoadedBench) -> list[Found]:
    """The broker, of a bench that is not running."""
    return await probe(brokers.WHAT, BROKER_S, partial(brokers.broker, loaded))


async def ports_of(loaded: LoadedBench, assembly: Assembly) -> tuple[list[Found], list[opening.Part]]:
    """Each port as the operating system has it; and what can be opened, as far as nothing speaks against it."""
    try:
        async with asyncio.timeout(LOOK_S):
            seen = await in_thread(serial_ports)
    except Exception as error:  # noqa: BLE001 a device tree may be as broken as it likes
        seen, found = (), [Found("ports", "note", f"They cannot be listed: {type(error).__name__} {error}.")]
    else:
        found = []
    free = []
    for part in opening.parts(loaded, assembly):
        said = await probe(part.name, LOOK_S, partial(_port, loaded, part, seen))
        found += said
        if all(one.state != "wrong" for one in said):
            free.append(part)
    return found, free


async def _port(loaded: LoadedBench, part: opening.Part, seen: tuple[SeenPort, ...]) -> list[Found]:
    if part.link is None or loaded.file.links[part.name].kind != SERIAL:
        return []
    where = await in_thread(part.link.where)
    pinned = "match" in loaded.file.links[part.name].rest
    return await in_thread(partial(ports.port, part.name, where, seen, pinned=pinned))


async def machine_ports() -> list[Found]:
    """The serial ports of this machine, where no bench file says which are meant."""

    async def look() -> list[Found]:
        found = []
        seen = await in_thread(serial_ports)
        for one in seen:
            found += await in_thread(partial(ports.port, one.path, one.path, seen, pinned=True))
        return found or [
            Found(
                "ports",
                "note",
                "No serial ports are to be seen.",
                "Plug the boards in; `benchd new --list` lists them.",
            )
        ]

    return await probe("ports", LOOK_S, look)


async def hardware(
    loaded: LoadedBench, free: list[opening.Part], allowed: opening.Allowed
) -> AsyncIterator[list[Found]]:
    """One part after another, each opened if a person allows it."""
    for part in free:
        if await allowed(part.name, part.effect):
            yield await opening.opened(loaded, part)
        else:
            text = "Not opened, as nobody allowed it."
            yield [Found(part.name, "skipped", text, f"`--open {part.name}`, or `--open all`, allows it.")]


def summary(found: list[Found]) -> dict[str, Any]:
    """The whole as one JSON document."""
    return {"ok": all(one.state != "wrong" for one in found), "found": [one.as_json() for one in found]}
