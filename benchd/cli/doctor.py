"""`benchd doctor`: what is wrong with ports, devices, broker, clock and disk, and what to do. Opens nothing unasked."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.cli.running import Running
    from benchd.client import BenchClient
    from benchd.commissioning.diagnosis import Found
    from benchd.files.loading import LoadedBench

ALL = "all"
RUNNING_S = 60.0
LEAST_UM, MOST_UM = 50.0, 2000.0
MOVE_S = 900.0
"""People take their time at the questions."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Whose bench, and what may be opened or moved."""
    parser.add_argument(
        "bench_file",
        nargs="?",
        type=Path,
        metavar="BENCH",
        help="a bench file or its folder (else of the bench running here, else ./bench.yaml)",
    )
    parser.add_argument(
        "--open",
        action="append",
        default=[],
        metavar="LINK",
        help="may be opened without asking: a link, a device without one, or all; where the bench is not running",
    )
    parser.add_argument(
        "--move-um",
        type=float,
        metavar="UM",
        help="hold um_per_unit and direction against scale or indicator by a small move, 50 to 2000, once you say yes; "
        "of a running bench",
    )
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 nothing is wrong, 1 the files are wrong, 3 something else is."""
    import asyncio

    from benchd.cli.guard import UsageError

    if args.move_um is not None and not LEAST_UM <= args.move_um <= MOST_UM:
        raise UsageError(f"--move-um {args.move_um:g}: from {LEAST_UM:g} to {MOST_UM:g}, a small move")
    found: list[Found] = []
    _quiet()

    async def examine() -> None:
        async for some in _all(args):
            found.extend(some)
            if not args.json:
                for one in some:
                    _print(one)

    try:
        asyncio.run(examine())
    except KeyboardInterrupt as interrupt:
        raise KeyboardInterrupt(str(interrupt) or "Interrupted; what was opened is closed.") from None
    if args.json:
        from benchd.commissioning.examination import summary

        print(json.dumps(summary(found), ensure_ascii=False))
    else:
        _print_summary(found)
    bad = {one.what for one in found if one.state == "wrong"}
    return exits.DONE if not bad else exits.REFUSED if bad == {"bench file"} else exits.FAULT


def _quiet() -> None:
    """What went wrong is said below; the log of the parts that are tried would say it twice."""
    import logging

    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    logging.disable(logging.CRITICAL)


async def _all(args: argparse.Namespace) -> AsyncIterator[list[Found]]:
    """What is found, a portion after another."""
    from benchd.commissioning import examination

    at, path = _which(args)
    loaded = None
    if path is not None:
        loaded, assembly, said = await examination.whole_bench(path)
        yield said
    if args.host is None and args.port is None:
        yield await examination.this_machine(loaded, Path.cwd())
    if at is not None:
        async for some in _running(args, at, loaded):
            yield some
        return
    if args.move_um is not None:
        yield [_not_moved()]
    if path is None:
        yield await examination.machine_ports()
        return
    if loaded is None or assembly is None:
        return
    yield await examination.broker(loaded)
    said, free = await examination.ports_of(loaded, assembly)
    yield said
    async for some in examination.hardware(loaded, free, _allowed(args)):
        yield some


def _which(args: argparse.Namespace) -> tuple[Running | None, Path | None]:
    """The running bench that is meant, and the bench file; None each where there is none. Raises Refused."""
    from benchd.cli.running import all_here, chosen
    from benchd.errors import Refused

    path = None if args.bench_file is None else options.bench_file_at(args.bench_file)
    if args.host is not None or args.port is not None:
        return chosen(args), path
    here = all_here()
    if path is not None:
        same = [one for one in here if one.file is not None and one.file.resolve() == path.resolve()]
        return (same[0] if same else None), path
    if args.bench is not None or here:
        at = chosen(args)
        return at, at.file
    mine = options.bench_file_at(Path.cwd())
    if not mine.is_file() and args.open:
        raise Refused("not_found", "There is no bench file here, so nothing can be opened.", advice="Name one.")
    return None, mine if mine.is_file() else None


async def _running(args: argparse.Namespace, at: Running, loaded: LoadedBench | None) -> AsyncIterator[list[Found]]:
    from functools import partial

    from benchd.cli.speak import client_of
    from benchd.commissioning.diagnosis import probe
    from benchd.commissioning.running_bench import running

    args.bench = at.bench
    client = partial(client_of, args)
    if args.open:
        from benchd.commissioning.diagnosis import Found

        text = "The bench is running, and it alone has its ports: nothing was opened beside it."
        yield [Found("ports", "skipped", text, "End `benchd up` first where they are to be opened one by one.")]

    async def look() -> list[Found]:
        async with client() as bench:
            return await running(bench)

    found = await probe("daemon", RUNNING_S, look)
    yield found
    if args.move_um is not None and not any(one.what == "daemon" and one.state == "wrong" for one in found):
        yield await probe("um_per_unit", MOVE_S, lambda: _move(client, loaded, args.move_um))


async def _move(client: Callable[[], BenchClient], loaded: LoadedBench | None, by_um: float) -> list[Found]:
    from benchd.cli.interrupts import stopping
    from benchd.cli.speak import is_person
    from benchd.commissioning.small_move import small_move

    if not is_person():
        return [_not_moved("Nobody is at a terminal who could say yes to it, so nothing was moved.")]
    async with client() as bench, stopping(bench, "Ctrl-C again leaves."):
        return await small_move(bench, loaded, by_um, _confirmed)


def _not_moved(text: str = "The bench is not running, and nothing but its daemon moves it.") -> Found:
    from benchd.commissioning.diagnosis import Found

    advice = "Run `benchd up BENCH` in one terminal, and this in another."
    return Found("um_per_unit", "skipped", text, advice)


def _allowed(args: argparse.Namespace) -> Callable[[str, str], Awaitable[bool]]:
    """By --open, else by whoever is at the terminal."""
    from benchd.cli.speak import is_person

    async def allowed(name: str, effect: str) -> bool:
        if ALL in args.open or name in args.open:
            return True
        return not args.open and is_person() and await _confirmed(effect)

    return allowed


async def _confirmed(text: str) -> bool:
    """A yes typed after the question stood there; everything else, and the end of input, is a no."""
    from benchd.cli.keyboard import Keyboard
    from benchd.cli.prompts import READ_S
    from benchd.cli.prose import wrapped
    from benchd.cli.speak import remark

    keyboard = Keyboard()
    if keyboard.drop():
        remark("  What was typed before this question is not taken for its answer.")
    while True:
        print(wrapped(f"? {text} [y/N]", sys.stderr), end=" ", file=sys.stderr, flush=True)
        if await keyboard.quiet_for(READ_S):
            return (await keyboard.line() or "").strip().lower() in ("y", "yes")
        keyboard.drop()
        remark("\n  That came sooner than it can have been read; once more.")


_MARKS = {"ok": "ok     ", "note": "note   ", "wrong": "WRONG  ", "skipped": "-      "}


def _print(one: Found) -> None:
    from benchd.cli.prose import wrapped

    print(wrapped(f"{_MARKS[one.state]}{one.what}: {one.text}", sys.stdout))
    if one.advice:
        print(wrapped(f"       {one.advice}", sys.stdout), flush=True)


def _print_summary(found: list[Found]) -> None:
    count = {state: sum(one.state == state for one in found) for state in _MARKS}
    bad = "Nothing is wrong" if not count["wrong"] else f"{count['wrong']} wrong"
    more = [f"{count['note']} to be known"] if count["note"] else []
    more += [f"{count['skipped']} not looked at"] if count["skipped"] else []
    print("; ".join([bad, *more]) + ".")
