"""Connecting to a running bench: the client for the options, and taking control if needed."""

from __future__ import annotations

import argparse
import asyncio
import os
import re
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

from benchd.cli.guard import NOTHING_ASKED, UsageError
from benchd.cli.prose import wrapped
from benchd.cli.running import chosen
from benchd.client import BenchClient
from benchd.errors import BenchdError, Refused
from benchd.files.broker_account import check_authorities, read_secret
from benchd.shown import shown

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
    """A login name reduced to the characters allowed in a topic."""
    return re.sub(r"[^a-z0-9_-]", "", login.lower())[:32] or "someone"


def _login() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a user id without an account, as in some containers
        return f"uid-{os.getuid()}"


def client_of(args: argparse.Namespace) -> BenchClient:
    """A client of the chosen bench, with the account from the options or the environment.

    Raises Refused, and UsageError for an unusable file.
    """
    at = chosen(args)
    if args.password_file is not None and not at.account:
        raise UsageError(f"--password-file {args.password_file}: the broker of {at.bench} asks for no account")
    if args.ca_file is not None and not at.host.startswith("mqtts://"):
        raise UsageError(f"--ca-file {args.ca_file}: is for a broker that is named as mqtts://HOST, not {at.host}")
    ca_file = _file(args.ca_file, "BENCHD_CA_FILE") or at.ca_file
    secret = _file(args.password_file, "BENCHD_PASSWORD_FILE") if at.account else None
    try:
        password = None if secret is None else read_secret(secret)
    except ValueError as error:
        raise UsageError(f"--password-file {secret}: {error}") from None
    try:
        ca_file = None if ca_file is None else check_authorities(ca_file)
    except ValueError as error:
        raise UsageError(f"--ca-file {ca_file}: {error}") from None
    return BenchClient(at.host, at.port, bench=at.bench, user=user_of(args), password=password, ca_file=ca_file)


def _file(given: Path | None, variable: str) -> Path | None:
    return given if given is not None else Path(configured) if (configured := os.environ.get(variable)) else None


def with_bench(args: argparse.Namespace, work: Work) -> int:
    """Run `work(client)` with a client of the chosen bench; gives its exit code.

    Raises BenchdError, and KeyboardInterrupt saying whether a command had been sent.
    """
    bench = client_of(args)

    async def inside() -> int:
        async with bench:
            await on_line(bench)
            return await work(bench)

    try:
        return asyncio.run(inside())
    except KeyboardInterrupt as interrupt:
        raise interrupt if str(interrupt) else KeyboardInterrupt(_interrupt_message(bench.asked)) from None


def _interrupt_message(asked: str | None) -> str:
    """The message after a Ctrl-C that was not handled as a stop."""
    if asked is None:
        return f"Interrupted before {NOTHING_ASKED}"
    if asked == "take":
        return "Interrupted; control was asked for, nothing else was begun."
    return f"Interrupted; whether `{asked}` was carried out is not known here: `benchd status` tells."


async def on_line(bench: BenchClient) -> None:
    """Raise Refused('not_found') unless the bench is on line: a broker may outlive its daemon."""
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
    remark(f"Control taken as {bench.user}.")


def remark(text: str) -> None:
    """A remark beside the answer."""
    # Shown here as well, as a bar on the way takes colours out of it.
    print(wrapped(shown(text), sys.stderr), file=sys.stderr, flush=True)


def is_person() -> bool:
    """Whether a person at a terminal can answer."""
    return sys.stdin.isatty() and sys.stderr.isatty()


Doc = dict[str, Any]
