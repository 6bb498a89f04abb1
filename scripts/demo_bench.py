"""The demo: a simulated bench from power-on to a verdict, watched over MQTT like any other bench.

It calibrates an empty record first (bench_zero, adapter_length), then checks a lens. Everything the person does is
done by the simulator's hand and shown; the daemon sees only ports. Truth is read from the world after the fact.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import shutil
import signal
import sys
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text
from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from benchd.cli import tables
from benchd.cli.console import wide
from benchd.cli.progress import Bar
from benchd.client.bench_client import BenchClient
from benchd.errors import BenchdError
from benchd.reports import numbers as say
from benchd.shown import in_one_line
from stack import BIN, CONFIGS, Stack, StackFailed
from technician import RunEnded, Technician

LENS, ADAPTERS, GLASS = "L-0417", ["ring-07"], ["pane-25"]
FIXED, LENS_IN_AIR = {"workshop-reticle": "collar-32"}, "L-0418"
"""Benches whose sensor stands fixed, each with the setting ring that is about as long as it is deep: no adapter is
measured there, and no plate stands behind the lens, whose shift a reticle cannot make up for."""

BY_STEPS = {"garage": (("home_repeat", {"at_um": 3500.0}), ("axis_test", {"from_um": 200.0}))}
"""Benches without an encoder, and where along their travel a gauge on the adapter can tell what steps are worth."""

FASTEST = 100.0
"""What the simulator takes; above 5 this machine may not keep up with the world."""

PLOT = Path(__file__).resolve().parent.parent / "run" / "through-focus.png"

CAUTIONS = (
    "On a bench of metal: the carriage pinches, a heavy lens falls when its support or its power goes, a bright LED "
    "hurts eyes, and mains can kill. A software stop is an ordinary stop, not an emergency stop: wire one that acts "
    "without the computer, and follow local codes and licensed practice."
)


def main() -> int:
    """Exit 0 whatever the verdict; 3 where the bench did not come up or the check did not end."""
    args = _arguments()
    out = wide(stderr=args.json)  # the one JSON document has standard output to itself
    signal.signal(signal.SIGTERM, signal.default_int_handler)  # ends in order, as Ctrl-C does
    try:
        return asyncio.run(_demo(args, out))
    except (StackFailed, RunEnded, BenchdError) as failed:
        print(f"The demo did not come to its end: {failed}", file=sys.stderr)
        return 3
    except OSError as failed:
        where = f"{failed.filename}: " if failed.filename else ""
        print(f"The demo did not come to its end: {where}{failed.strerror or failed}.", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        return 130


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/demo", description=__doc__)
    parser.add_argument("--once", action="store_true", help="end after the finding instead of staying up")
    parser.add_argument("--json", action="store_true", help="exactly one JSON document on standard output")
    parser.add_argument("--seed", type=int, default=1, help="draws another lens and bench (default 1)")
    parser.add_argument(
        "--world", default="workshop", metavar="FILE", help="another world (a name that ships, or YAML)"
    )
    parser.add_argument(
        "--pace",
        type=_pace,
        default=1.0,
        help="world seconds a second, up to 100 (default 1; beyond 5 the machine may not keep up)",
    )
    parser.add_argument("--folder", type=Path, help="keep the bench file, the record and the logs here")
    parser.add_argument("--plot", type=Path, default=PLOT, help="where the through-focus curve goes (default run/)")
    return parser.parse_args()


def _pace(text: str) -> float:
    try:
        pace = float(text)
    except ValueError:
        pace = 0.0
    if not 0 < pace <= FASTEST:
        raise argparse.ArgumentTypeError(f"{text} is no number above 0 and at most {FASTEST:g}")
    return pace


async def _demo(args: argparse.Namespace, out: Console) -> int:
    folder = args.folder or Path(tempfile.mkdtemp(prefix="benchd-demo-"))
    keep = args.folder is not None or not args.once
    _head(out, "A simulated lens bench", "real bytes on pseudo-terminals and sockets, an MQTT broker, the daemon.")
    out.print(CAUTIONS, style="dim")
    world = str(Path(args.world).resolve()) if Path(args.world).exists() else args.world
    try:
        config = config_for(world)
        async with Stack(world=world, config=config, seed=args.seed, pace=args.pace, folder=folder) as stack:
            async with stack.client("demo") as client:
                document = await _check(stack, client, out, args.plot)
                await client.command("release", beat=False)
            if args.json:
                json.dump(document, sys.stdout, allow_nan=False)
                sys.stdout.write("\n")
                sys.stdout.flush()
            if not args.once:
                await _stay(stack, out)
    except (StackFailed, RunEnded, BenchdError):
        keep = True
        raise
    finally:
        if keep:  # also where Ctrl-C ends it
            print(f"\nRecord and logs stay in {folder}.", file=sys.stderr)
        else:
            shutil.rmtree(folder, ignore_errors=True)
    return 0


def _head(out: Console, title: str, rest: str) -> None:
    out.print(Text.assemble((title, "bold"), f": {rest}" if rest else ""))


def _shell(out: Console, *lines: str) -> None:
    """Lines to copy: never broken by us, whatever the width."""
    for line in lines:
        out.print(Text(f"  {line}" if line else ""), soft_wrap=True)


def say_line(out: Console, text: str, style: str = "dim") -> None:
    """A line of what goes on; what follows it stands under it."""
    out.print(Padding(Text(in_one_line(text), style=style), (0, 0, 0, 2), expand=False))


async def _check(stack: Stack, client: BenchClient, out: Console, plot: Path) -> dict[str, Any]:
    """Calibrate the empty record, then check the lens; gives the demo's document."""
    out.print(f"Files, record and logs in {stack.folder}. Watch with any MQTT client:")
    _shell(out, f"mosquitto_sub -p {stack.ports['listeners']['v4']} -v -t 'benchd/{client.bench}/#'", "")
    await client.command("take", beat=False)
    bar = Bar(out, lambda text: say_line(out, text))
    technician = Technician(stack, client, lambda text: say_line(out, text))
    watchers = [asyncio.create_task(_show_progress(client, bar)), asyncio.create_task(_show_events(client, out))]
    try:
        made = await _calibrate(stack, client, technician, out)
        lens, glass = (LENS_IN_AIR, []) if stack.config in FIXED else (LENS, GLASS)
        _head(out, "2  The lens" if stack.config in FIXED else "3  The lens", "")
        technician.fit(ADAPTERS, glass, lens)
        where: dict[str, Any] = {}
        if stack.config in ("workshop", *BY_STEPS):
            tape = technician.measure("tape")
            where = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
        await technician.run("flange_check", lens=lens, adapters=ADAPTERS, glass=glass, repeats=3, **where)
    finally:
        for watcher in watchers:
            watcher.cancel()
        bar.close()
    document: dict[str, Any] = {"findings": [], "chain": [], "truth": {"focus_error_um": None}}
    document["findings"] = [await client.kept(f"finding/{name}") for name in (*made, "flange")]
    setup = await client.kept("setup")
    document["chain"] = setup["chain"]
    finding = document["findings"][-1]
    for one in document["findings"][:-1]:
        out.print(tables.finding(one))
    out.print(tables.finding(finding, setup["chain"]))
    drawn = await _plot(stack, finding["run"], plot, out)
    truth = await stack.truth()
    document["truth"]["focus_error_um"] = truth["focus_error_um"]
    error = finding["values"]["focus_error"]
    off = error["value"] - truth["focus_error_um"]
    true_um, off_um = (say.number(value, sign=True) for value in (truth["focus_error_um"], off))
    holds = "inside" if abs(off) <= error["U"] else "outside"
    out.print(
        f"Truth, from the simulator after the fact: {true_um} µm. The finding is {off_um} µm off, {holds} its interval "
        f"of {say.number(error['U'])} µm."
    )
    if drawn:
        _shell(out, f"The curve with its fit and interval: {plot}")
    return document


async def _calibrate(stack: Stack, client: BenchClient, technician: Technician, out: Console) -> list[str]:
    """What findings go by, found and accepted; gives the assessments in the order made."""
    technician.clear()
    warmth = technician.measure("thermometer")
    await client.command("setup", set={"temperature_C": warmth["temperature_C"]})
    by_steps = BY_STEPS.get(stack.config, ())
    if by_steps:
        _head(out, "0  What steps are worth", "by a gauge on the target")
    for procedure, where in by_steps:
        await technician.run(procedure, adapters=ADAPTERS, **where)
    _head(out, "1  Absolute zero", "from a setting ring and an indicator")
    made = [procedure for procedure, _ in by_steps]
    if stack.config in FIXED:
        await technician.run("fixed_zero", reference=FIXED[stack.config])
        return [*made, "fixed_zero"]
    await technician.run("bench_zero", reference=technician.reference)
    _head(out, "2  The adapter's length", "")
    await technician.run("adapter_length", adapter=ADAPTERS[0])
    return [*made, "bench_zero", "adapter_length"]


def config_for(world: str) -> str:
    """The folder of configs/ with a bench in the arrangement that a world says of itself; a name that ships is read
    from the package."""
    path = Path(world)
    if not path.exists():
        path = Path(str(files("benchd_simulators") / "worlds" / f"{world}.yaml"))
    stands = _arrangement_in(path)
    benches = sorted(
        CONFIGS.glob("*/bench.yaml"), key=lambda one: one.parent.name != path.stem
    )  # its own before others
    return next((one.parent.name for one in benches if _arrangement_in(one) == stands), "workshop")


def _arrangement_in(path: Path) -> str | None:
    """Of a world or a bench file; None where it cannot be read: the simulator says what is wrong with it."""
    try:
        stands = YAML(typ="safe").load(path.read_text(encoding="utf-8"))["arrangement"]
        return str(stands if isinstance(stands, str) else stands["kind"])
    except (OSError, YAMLError, KeyError, TypeError):
        return None


async def _show_progress(client: BenchClient, bar: Bar) -> None:
    """A bar with the time to go at a terminal, the lines of `benchd run` elsewhere."""
    async for _, state in client.watch("procedure"):
        if state["run"] is not None:
            bar.take(state, asks=False)


async def _show_events(client: BenchClient, out: Console) -> None:
    """What the bench says went wrong, as it says it."""
    async for _, event in client.events():
        if event["severity"] != "info":
            say_line(out, f"{event['severity']}: {event['text']} {event['advice']}", "")


async def _plot(stack: Stack, run: str, path: Path, out: Console) -> bool:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        out.print(f"No plot: {path.parent} cannot be made: {error.strerror}.")
        return False
    process = await asyncio.create_subprocess_exec(
        str(BIN / "benchd"), "report", run, "--bench-file", str(stack.bench_file), "--out", str(path),
        stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
    )  # fmt: skip
    said, _ = await process.communicate()
    if process.returncode != 0:
        out.print(f"No plot: {said.decode(errors='replace').strip()}")
        return False
    return True


async def _stay(stack: Stack, out: Console) -> None:
    """Stay up until interrupted, saying how to steer."""
    bench, port = stack.ports["bench"], stack.ports["listeners"]["v4"]
    mine = f"mosquitto_pub -p {port} -t $me"
    out.print("\nThe bench stays up; Ctrl-C ends it. In another terminal, in this folder:")
    _shell(
        out,
        "source .venv/bin/activate",
        f"export XDG_RUNTIME_DIR={stack.folder / 'xdg'}",
        "benchd status",
        "benchd do nominal",
        "benchd do --help",
        f"benchd-sim hand fit shim 20 --dir {stack.run_folder}",
    )
    out.print(
        "The last is the hand at the simulated bench. Control is a user's, not a terminal's: two terminals of one user "
        "share it. With any MQTT client (here mosquitto's):"
    )
    _shell(
        out,
        f"mosquitto_sub -p {port} -v -t 'benchd/{bench}/#'",
        f"me=benchd/{bench}/command/me",
        f"{mine}/stop -n",
        f'{mine}/take -m \'{{"id":"1"}}\'',
        f'{mine}/light -m \'{{"id":"2","args":{{"level":0.4}}}}\'',
    )
    out.print(f'What can move wants the latest beat (topic benchd/{bench}/beat) as "beat" beside "id".')
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(number, ended.set)
    await ended.wait()


if __name__ == "__main__":
    sys.exit(main())
