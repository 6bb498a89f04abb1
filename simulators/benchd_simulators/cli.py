"""`benchd-sim`: run the simulated hardware, be the hand at it, look at its truth, break it."""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

DEFAULT_FOLDER = "run"
INSTRUMENTS = ("supply", "supply_line", "meter", "meter_line")
REFUSED, USAGE, FAULT = 1, 2, 3

HAND_HELP = """\
fit, remove   adapter|glass|lens|shim|filter  ID      fit adapter ring-07; fit shim 50
set, turn     ring|iris|wall_mm|wall_marks|wall_strip|indicator|tip|temperature|pushed_um|square_off|flat|tube_mm  VALUE
                                              set ring infinity; turn iris 4; set indicator base; set flat away
press, release  emergency_stop|hands_in               their contacts, as benchd reads them; no power is cut
measure       tape|thermometer|tube|autocollimation
                                              the last sets the collimator's tube by the flat before it, and reads it
look                                          what stands on the bench
"""
FAULT_HELP = """\
board, counter, indicator,
dial, inputs                unplug [s=], plug, clear, silence [s=], garbage [s=], flood [s=], stall [s=],
                            wrong_baud [s=], corrupt|cut|drop|merge [n=], late [n= s=], split [n= gap_s=],
                            lose byte= [n=], alter from= to= [n=]
board                       reset, power_up, open_door, shut_door, stuck_status [value=false],
                            reset_on_open [value=false], identity value=, factory, and how it was built:
                            native, origin_at_switch, pwm, homing_reports [value=false]
drive, drive_tcp            of `up --modbus`: the same of each end (flood and lose among them), and power_up, trip,
                            refuse code= [n=] (the next writes), model value=
dmx                         of `up --dmx`: as board; address value=, on_loss value=holds|dark
camera                      unplug, plug, clear, late [n= s=], garbage|cut|freeze|no_time [n=], error [n= status=]
supply, meter, supply_line, meter_line   as board; errors [n= number=], identity value=, no_error value=, power_up
supply                      turn [volts= amps= on=], stuck [value=false], trip
meter                       signal [value=]
world                       NAME [value=]: lose_steps, push, stall, switch_stuck, switch_never, encoder_frozen,
                            encoder_jump, encoder_reversed, encoder_power_up; of a switch by its name, or
                            value=false: wire_cut, contacts_scattered
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Returns 0 done, 1 refused or a file that will not do, 2 usage, 3 no simulator there or a fault of its own."""
    args = _parser().parse_args(argv)
    run: dict[str, Any] = {"up": _up, "hand": _hand, "truth": _truth, "fault": _fault, "instruments": _instruments}
    code: int = run[args.command](args)
    return code


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="benchd-sim", description="A simulated lens bench behind real ports.")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    raw = argparse.RawDescriptionHelpFormatter

    up = commands.add_parser("up", help="run the hardware of a world until interrupted")
    up.add_argument("world", metavar="WORLD", help="a world that ships (workshop, ...) or a YAML file")
    up.add_argument("--seed", type=int, default=1, help="draws another bench and lens (default 1)")
    up.add_argument("--pace", type=_pace, default=1.0, help="world seconds a second, for long runs (default 1)")
    up.add_argument("--truth", type=Path, metavar="FILE", help="write the truth there at the start and at the end")
    up.add_argument("--journal", type=Path, metavar="FILE", help="every byte on the ports with its monotonic time")
    up.add_argument("--camera-port", type=_port, default=8780, help="default 8780; a free one if it is taken")
    up.add_argument("--identity", default="7A01", help="serial string that the board tells (default 7A01)")
    up.add_argument("--native", action="store_true", help="the board on USB of its own: bytes arrive together, unpaced")
    hung = up.add_mutually_exclusive_group()
    modbus = "carriage, lamp and indicator on a Modbus drive: RTU and TCP"
    for line, what in (("modbus", modbus), ("dmx", "the lamp on a DMX dimmer")):
        hung.add_argument(f"--{line}", dest="line", action="store_const", const=line, help=what)
    up.add_argument("--with-parent", action="store_true", help="end when the process that started this one ends")

    beside = commands.add_parser("instruments", help="run a supply and a multimeter that speak SCPI, until interrupted")
    beside.add_argument("--supply-port", type=_port, default=5025, help="default 5025; 0 takes a free one")
    beside.add_argument("--meter-port", type=_port, default=5026, help="default 5026; 0 takes a free one")
    beside.add_argument("--journal", type=Path, metavar="FILE", help="every byte on the ports with its monotonic time")
    beside.add_argument("--with-parent", action="store_true", help="end when the process that started this one ends")

    hand = commands.add_parser("hand", help="do what a person does at the bench", epilog=HAND_HELP, formatter_class=raw)
    hand.add_argument("do", choices=("fit", "remove", "set", "turn", "press", "release", "measure", "look"))
    hand.add_argument("what", nargs="?")
    hand.add_argument("value", nargs="*", help="an id, or the value to set")
    hand.add_argument("--lens", help="for a shim: under this lens, where it is not the one on the bench")

    truth = commands.add_parser("truth", help="everything that the bench hides")
    truth.add_argument("--out", type=Path, metavar="FILE", help="instead of stdout")
    truth.add_argument(
        "--lp-mm", type=float, default=40.0, help="frequency of the merit whose peak it tells (default 40)"
    )

    fault = commands.add_parser("fault", help="break something", epilog=FAULT_HELP, formatter_class=raw)
    bench = ("board", "counter", "dial", "indicator", "inputs", "drive", "drive_tcp", "dmx", "camera", "world")
    fault.add_argument("who", choices=(*bench, *INSTRUMENTS))
    fault.add_argument("what")
    fault.add_argument("args", nargs="*", metavar="KEY=VALUE")

    for command in (up, beside, hand, truth, fault):
        command.add_argument("--dir", type=Path, default=Path(DEFAULT_FOLDER), help="its folder (default ./run)")
    return parser


def _pace(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value <= 100:
        raise argparse.ArgumentTypeError(f"{text} is no number above 0 and at most 100")
    return value


def _port(text: str) -> int:
    if not (re.fullmatch("[0-9]{1,5}", text) and int(text) <= 65535):
        raise argparse.ArgumentTypeError(f"'{text}' is no port, which is a whole number from 0 (any free one) to 65535")
    return int(text)


def _say(problem: object, code: int) -> int:
    import textwrap
    from shutil import get_terminal_size

    text = f"benchd-sim: {problem}"
    if sys.stderr.isatty():  # lines end between words there
        width = max(get_terminal_size().columns, 20)
        fold = [textwrap.fill(line, width, break_long_words=False, break_on_hyphens=False) for line in text.split("\n")]
        text = "\n".join(fold)
    print(text, file=sys.stderr)
    return code


def _up(args: argparse.Namespace) -> int:
    import time

    from benchd_simulators.firmware.serve import die_with_parent, serve
    from benchd_simulators.world import WorldFileError, load_world

    if args.with_parent:
        die_with_parent()
    try:
        world = load_world(args.world, args.seed, args.pace, time.monotonic)
    except WorldFileError as problem:
        return _say(problem, REFUSED)
    unwritable = _unwritable("--truth", args.truth) or _unwritable("--journal", args.journal)
    if unwritable:
        return _say(unwritable, REFUSED)
    folder = args.dir.absolute()
    about = {"world": str(args.world), "seed": args.seed, "pace": args.pace}
    return _until_stopped(
        folder,
        args.journal,
        lambda journal: serve(
            world,
            folder,
            about,
            pace=args.pace,
            camera_port=args.camera_port,
            identity=args.identity,
            native=args.native,
            line=args.line,
            truth=args.truth,
            journal=journal,
            ready=_print_places,
        ),
    )


def _instruments(args: argparse.Namespace) -> int:
    from benchd_simulators.firmware.instruments import Instruments, serve_instruments
    from benchd_simulators.firmware.serve import die_with_parent

    if args.with_parent:
        die_with_parent()
    if unwritable := _unwritable("--journal", args.journal):
        return _say(unwritable, REFUSED)
    folder, ports = args.dir.absolute(), {"supply_port": args.supply_port, "meter_port": args.meter_port}
    return _until_stopped(
        folder,
        args.journal,
        lambda journal: serve_instruments(Instruments(folder, journal=journal, **ports), folder, _print_places),
    )


def _print_places(where: Any) -> None:
    for name, place in where.items():
        print(f"{name:<16} {place}", flush=True)


def _until_stopped(folder: Path, journal_file: Path | None, work: Any) -> int:
    """`work(journal)` is run in the folder that is this process's alone meanwhile."""
    import asyncio

    from benchd_simulators.firmware.journal import Journal
    from benchd_simulators.firmware.serve import InUse, claimed

    try:
        with claimed(folder), Journal(journal_file) as journal, asyncio.Runner(loop_factory=_punctual) as runner:
            runner.run(work(journal))
    except InUse as problem:
        return _say(problem, FAULT)
    except OSError as problem:
        where, why = problem.filename or folder, problem.strerror or problem
        return _say(f"{where}: {why}; is --dir a folder that may be written?", FAULT)
    return 0


def _unwritable(option: str, path: Path | None) -> str:
    """Why nothing can be written there; said before anything is plugged in, since a truth is written at the end too."""
    if path is None or (path.parent.is_dir() and os.access(path.parent, os.W_OK) and not path.is_dir()):
        return ""
    return f"{option} {path} cannot be written; name a file in a folder that is there and may be written."


def _punctual() -> Any:
    """An event loop whose timers are exact to a tenth of a millisecond: others count whole ones, and every byte of the
    simulated wires and every step of the motion would come that much late. It holds at most 1024 files."""
    import asyncio
    import selectors

    return asyncio.SelectorEventLoop(selectors.SelectSelector())


def _hand(args: argparse.Namespace) -> int:
    do = "set" if args.do == "turn" else args.do
    command: dict[str, Any] = {"do": do, "what": args.what}
    if args.lens:
        command["lens"] = args.lens
    if args.value:
        values = args.value if do in ("fit", "remove") else [_value(text) for text in args.value]
        command["id" if do in ("fit", "remove") else "value"] = values[0] if len(values) == 1 else values
    return _tell(args.dir, command, show=True)


def _fault(args: argparse.Namespace) -> int:
    pairs = {}
    for text in args.args:
        key, equals, value = text.partition("=")
        if not equals:
            return _say(f"{text!r} is not KEY=VALUE.", USAGE)
        pairs[key] = value if key in ("from", "to") else _value(value)
    return _tell(args.dir, {"do": "fault", "who": args.who, "what": args.what, "args": pairs}, show=False)


def _truth(args: argparse.Namespace) -> int:
    command = {"do": "truth", "lp_mm": args.lp_mm}
    if args.out is None:
        return _tell(args.dir, command, show=True, key="truth")
    from benchd_simulators.firmware.rig import write_json

    if unwritable := _unwritable("--out", args.out):
        return _say(unwritable, REFUSED)
    return _tell(args.dir, command, show=False, keep=lambda answer: write_json(args.out, answer["truth"]))


def _tell(folder: Path, command: dict[str, Any], *, show: bool, key: str | None = None, keep: Any = None) -> int:
    from benchd_simulators.firmware.hand import tell

    try:
        answer = tell(folder, command)
        if answer.get("ok") and keep is not None:
            keep(answer)
    except (OSError, ValueError) as problem:
        why = getattr(problem, "strerror", None) or problem
        return _say(f"No simulator answers in {folder} ({why}). Start one: benchd-sim up WORLD --dir {folder}", FAULT)
    if not answer.pop("ok", False):
        return _say(answer.get("error"), REFUSED)
    if show:
        print(json.dumps(answer if key is None else answer[key], indent=1))
    return 0


def _value(text: str) -> Any:
    """A number, true, false, a hexadecimal byte, or the text as it stands."""
    if text.lower().startswith("0x"):
        return int(text, 16)
    try:
        return json.loads(text)
    except ValueError:
        return text


if __name__ == "__main__":
    sys.exit(main())
