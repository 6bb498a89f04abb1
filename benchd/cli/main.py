"""`benchd COMMAND ..`: finds the command's module, parses with it, runs it, and turns errors into words and a code."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn, Protocol, cast

from benchd.cli import exits

COMMANDS: dict[str, str] = {
    "up": "run a bench: its devices, broker and record, until it is stopped",
    "new": "find ports and cameras, ask, and write a bench file to begin with",
    "doctor": "say what is wrong with ports, devices, broker and this machine; what to do",
    "examples": "copy bench files, records and schemas to begin with into a folder",
    "check": "say what is wrong with a bench, record or procedure file; dry runs",
    "status": "one screen: where the bench stands and what it found last",
    "watch": "follow what the bench says, a line a message",
    "do": "one command to the bench: home, nominal, move, light, read, setup, ..",
    "run": "run a procedure, with its progress, its questions and its findings",
    "batch": "check one lens after another, a tap each; a table at the end",
    "stop": "stop everything that moves, now",
    "rearm": "let an emergency stop go that was released; on the bench's own machine",
    "lens": "the records of lenses: list, show, new, edit",
    "shim": "note a shim put under a lens or taken out; what is under it",
    "show": "a lens, run, finding, calibration or set-up out of the record",
    "picture": "what imaging sees in pictures, or in a folder of them at known depths",
    "report": "the findings of a run or lens, and their curve as a picture",
}

_HEAD = "benchd makes a measuring instrument of a motorised lens bench."
_FOOT = f"""{exits.TABLE}
A carriage pinches: keep hands out while it may move.
A software stop is an ordinary stop, not an emergency stop.
`benchd COMMAND --help` says what a command takes."""


class Command(Protocol):
    """The interface of a command's module."""

    def arguments(self, parser: argparse.ArgumentParser) -> None:
        """Add what the command takes."""

    def run(self, args: argparse.Namespace) -> int:
        """Carry it out; gives the exit code. Raises BenchdError."""


class Parser(argparse.ArgumentParser):
    """Errors in one line, with where to read on."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and leave with the code for it."""
        sys.stderr.write(f"{self.prog}: {message}\n`{self.prog} --help` says what it takes.\n")
        raise SystemExit(exits.USAGE)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; gives its exit code. Raises SystemExit for --help, --version and wrong usage only."""
    try:
        return _main(argv)
    except KeyboardInterrupt:  # while it was still loading
        sys.stderr.write("Interrupted before it had begun.\n")
        return exits.REFUSED


def _main(argv: Sequence[str] | None) -> int:
    given = list(sys.argv[1:] if argv is None else argv)
    name = given[0] if given else ""
    if name not in COMMANDS:
        return _no_command(given)
    module = cast(Command, import_module(f"benchd.cli.{name}"))
    about = COMMANDS[name].capitalize() + "."
    # A command whose help depends on further arguments defines its own help option.
    parser = Parser(prog=f"benchd {name}", description=about, epilog=exits.TABLE, conflict_handler="resolve")
    module.arguments(parser)
    args = parser.parse_intermixed_args(given[1:])
    from benchd.cli.guard import guarded

    return guarded(module.run, args)


def _no_command(given: Sequence[str]) -> int:
    parser = Parser(
        prog="benchd",
        usage="benchd COMMAND ...",
        description=_HEAD,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=_listed() + "\n\n" + _FOOT,
        add_help=True,
    )
    parser.add_argument("--version", action="store_true", help="show the version and exit")
    # What follows an unknown command is not looked at: the command is what is wrong.
    args = parser.parse_args([word for word in given[:1] if word.startswith("-")])
    if args.version:
        from importlib.metadata import version

        print(f"benchd {version('benchd')}")
        return exits.DONE
    if not given:
        parser.print_help(sys.stderr)
        return exits.USAGE
    from difflib import get_close_matches

    near = get_close_matches(given[0], COMMANDS, 1)
    suggestion = f"did you mean '{near[0]}'?" if near else f"there are {', '.join(COMMANDS)}"
    return parser.error(f"there is no command '{given[0]}'; {suggestion}")


def _listed() -> str:
    width = max(map(len, COMMANDS))
    return "commands:\n" + "\n".join(f"  {name:<{width}}  {what}" for name, what in COMMANDS.items())


if __name__ == "__main__":
    sys.exit(main())
