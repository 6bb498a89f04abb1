"""`benchd up`: the daemon of one bench in the foreground, and how it is watched and steered from anywhere."""

from __future__ import annotations

import argparse
import json
import logging
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from benchd.cli import exits, options
from benchd.cli.prose import wrapped

if TYPE_CHECKING:
    from benchd.remote.service import MqttService

SWITCH_S = 0.0005
"""Switch interval between threads: a working thread (record, port, camera) delays the event loop by at most this;
Python's default of 5 ms would delay every stop, poll and settling by as much."""

LET_GO_S = 2.0
"""Time for tasks and threads of drivers to end after the daemon has ended in order."""

CAUTION = (
    "A carriage pinches: keep hands out while it may move. A software stop is an ordinary stop, not an emergency stop: "
    "keep the wired one, which cuts the drive's power, within reach. Do not look into bright LEDs or the lens."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """The bench file."""
    parser.add_argument("bench", type=Path, metavar="BENCH", help="a bench file, or the folder of a bench.yaml")
    parser.add_argument("--ports-file", type=Path, metavar="FILE", help="write there where it listens, as JSON")
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 if it was asked to end, 1 for an invalid file, 3 for hardware that fails."""
    import asyncio
    import gc

    import structlog

    from benchd.cli.guard import UsageError, in_words, print_error

    if args.ports_file is not None and (args.ports_file.is_dir() or not args.ports_file.parent.is_dir()):
        raise UsageError(f"--ports-file {args.ports_file}: name a file, in a folder that is there")
    gc.disable()  # nothing of the start is garbage; `_ready` ends this

    from benchd.devices.errors import DeviceError
    from benchd.files.problems import FileProblems

    # Before the daemon is up nothing has to end in order, and an import under way may swallow a SystemExit.
    _on_signals(lambda *_: os._exit(exits.DONE))
    print(wrapped(CAUTION, sys.stderr), file=sys.stderr, flush=True)
    from benchd.daemon import Daemon

    sys.setswitchinterval(SWITCH_S)
    level = logging.DEBUG if os.environ.get("BENCHD_LOG") == "debug" else logging.INFO
    # The log's own colours would be escaped like all terminal control.
    plain = [*structlog.get_config()["processors"][:-1], structlog.dev.ConsoleRenderer(colors=False)]
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(level), processors=plain)
    daemon = Daemon(
        options.bench_file_at(args.bench),
        ports_file=args.ports_file,
        ready=lambda ready: _ready(ready, as_json=args.json),
        noted=lambda note: print(wrapped(f"note: {note}", sys.stderr), file=sys.stderr, flush=True),
    )
    _on_signals(lambda *_: daemon.end())
    code, runner = exits.FAULT, asyncio.Runner()
    try:
        runner.run(daemon.serve())
        code = exits.DONE
    except (FileProblems, DeviceError) as error:
        code = exits.REFUSED if isinstance(error, FileProblems) else exits.FAULT
        if args.json:
            print_error(error, as_json=True)
        print(wrapped(f"The bench was not started; nothing moved. {in_words(error)}", sys.stderr), file=sys.stderr)
    finally:
        _ended_by_then(code)
        runner.close()
    return code


def _ended_by_then(code: int) -> None:
    """End the process with `code` even if a driver keeps threads running: everything else has ended in order."""
    import threading

    def end() -> None:
        sys.stdout.flush()
        print("A driver does not let go; ended all the same.", file=sys.stderr, flush=True)
        os._exit(code)

    last = threading.Timer(LET_GO_S, end)
    last.daemon = True
    last.start()


def _on_signals(act: Callable[[int, FrameType | None], None]) -> None:
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, act)


def _ready(mqtt: MqttService, *, as_json: bool) -> None:
    """Say where it listens and what to type."""
    import gc

    # Loaded objects stay: garbage collection of them would delay a stop by tens of milliseconds each time.
    gc.freeze()
    gc.enable()
    assert mqtt.endpoint is not None
    if as_json:
        where = {"host": mqtt.endpoint.host, "port": mqtt.endpoint.port, "listeners": mqtt.listeners}
        print(json.dumps({"bench": mqtt.bench, **where}), flush=True)
        return
    for sentence in mqtt.messages:
        print(wrapped(sentence, sys.stdout))
    at = mqtt.endpoint
    options = f"-h {at.host} -p {mqtt.listeners.get('v4', at.port)}"
    if at.account.ca_file is not None:
        options += f" --cafile {at.account.ca_file}"
    print(howto(mqtt.bench, str(at) if at.tls else f"{at.host}:{at.port}", options), flush=True)
    if at.account.user is not None:
        print(ACCOUNT, flush=True)


ACCOUNT = """\
         This broker asks everybody for an account: put your password alone
         into a file, chmod 600, and type export BENCHD_PASSWORD_FILE=FILE;
         mosquitto_sub and mosquitto_pub take -u NAME -P PASSWORD.
"""


def howto(bench: str, where: str, at: str) -> str:
    """How to watch and control the bench, by commands and by any MQTT client; `at` are that client's options."""
    beat = f"$(mosquitto_sub {at} -t benchd/{bench}/beat -C 1 | cut -d'\"' -f4)"
    return f"""\
Bench {bench} is up, on MQTT at {where}. Ctrl-C ends it.

Look     benchd status
         benchd watch
         mosquitto_sub {at} -v -t 'benchd/{bench}/#'
Stop     benchd stop
         mosquitto_pub {at} -t benchd/{bench}/command/me/stop -n
Steer    benchd do home
         benchd run flange_check --dry lens=.. adapters=.. distance_mm=..
         mosquitto_pub {at} -t benchd/{bench}/command/me/take -m '{{"id":"1"}}'
         mosquitto_pub {at} -t benchd/{bench}/command/me/home \\
           -m "{{\\"id\\":\\"2\\",\\"beat\\":\\"{beat}\\"}}"
         Answers come on benchd/{bench}/reply/me.
         Each id is carried out once; what moves needs a fresh beat.
"""
