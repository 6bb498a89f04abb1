"""Speaking to a running bench: the client for what the options say, and control taken where it is needed."""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import sys
from collections.abc import Awaitable, Callable
from typing import Any

from benchd.cli.guard import UsageError
from benchd.cli.running import meant
from benchd.client import BenchClient
from benchd.errors import BenchdError, Refused

Work = Callable[[BenchClient], Awaitable[int]]

ON_LINE_S = 3.0


def user_of(args: argparse.Namespace) -> str:
    """Who asks: --user, else the login name as far as a topic can hold it. Raises UsageError."""
    if args.user is not None:
        if re.fullmatch(r"[a-z0-9_-]{1,32}", args.user) is None:
            raise UsageError(f"--user {args.user}: a name is 1 to 32 of a-z, 0-9, _ and -")
        return str(args.user)
    return as_name(_login())


def as_name(login: str) -> str:
    """A login name reduced to what may stand in a topic."""
    return re.sub(r"[^a-z0-9_-]", "", login.lower())[:32] or "someone"


def _login() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without an account, as in some containers
        return f"uid-{os.getuid()}"


def with_bench(args: argparse.Namespace, work: Work) -> int:
    """`work(client)` with a client on the bench that is meant; gives its exit code. Raises BenchdError."""

    async def inside() -> int:
        at = meant(args)
        async with BenchClient(at.host, at.port, bench=at.bench, user=user_of(args)) as bench:
            await on_line(bench)
            return await work(bench)

    return asyncio.run(inside())


async def on_line(bench: BenchClient) -> None:
    """Raise Refused('not_found') unless the bench is there: a broker may outlive its daemon."""
    try:
        there = await bench.kept("online", within_s=ON_LINE_S)
    except BenchdError as error:
        if error.code != "timeout":
            raise
        there = None
    if there is not True:
        how = "is off line" if there is False else "is not known to this broker"
        raise Refused("not_found", f"The bench {bench.bench} {how}.", advice="Start it with `benchd up BENCH`.")


async def take_control(bench: BenchClient) -> None:
    """Take control unless it is held already, and say so. Raises Refused('not_holder') while another holds it."""
    holder = (await bench.kept("control")).get("holder")
    if holder == bench.user:
        return
    await bench.command("take", beat=False)
    said(f"Control taken as {bench.user}.")


def said(text: str) -> None:
    """A remark beside the answer."""
    print(text, file=sys.stderr, flush=True)


def is_person() -> bool:
    """Whether somebody at a terminal can answer."""
    return sys.stdin.isatty() and sys.stderr.isatty()


Doc = dict[str, Any]
