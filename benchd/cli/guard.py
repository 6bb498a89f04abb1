"""Error handling around every command: errors become text, JSON and an exit code."""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
from collections.abc import Callable

from benchd.cli import exits
from benchd.cli.prose import wrapped
from benchd.errors import BenchdError
from benchd.shown import streams_shown

FAULTS = frozenset({"device_fault", "timeout", "disk_full"})
"""Codes that speak of hardware, not of what was asked."""


NOTHING_ASKED = "anything was asked of the bench."


class UsageError(Exception):
    """The command line cannot be understood; the text says what is allowed."""


def guarded(run: Callable[[argparse.Namespace], int], args: argparse.Namespace) -> int:
    """Call `run(args)`, print its errors, and give the exit code."""
    as_json = bool(getattr(args, "json", False))
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that knows no micro sign shows a question mark; a finding is not lost for it.
            stream.reconfigure(errors="replace")
    with streams_shown():
        return _guarded(run, args, as_json=as_json)


def _guarded(run: Callable[[argparse.Namespace], int], args: argparse.Namespace, *, as_json: bool) -> int:
    code = exits.DONE
    try:
        code = run(args)
        sys.stdout.flush()
    except UsageError as error:
        print(wrapped(f"benchd: {error}", sys.stderr), file=sys.stderr)
        return exits.USAGE
    except BenchdError as error:
        print_error(error, as_json=as_json)
        return code_of(error)
    except KeyboardInterrupt as interrupt:
        print(str(interrupt) or _interrupted(args), file=sys.stderr)
        return exits.REFUSED
    except BrokenPipeError:
        # The reader has closed the pipe; the rest of the buffer must not be written again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return code
    except Exception:  # noqa: BLE001 nothing that ends a command may pass for a refusal
        import traceback

        traceback.print_exc()
        print("This is a fault inside benchd; what stands above tells where.", file=sys.stderr)
        return exits.FAULT
    return code


def _interrupted(args: argparse.Namespace) -> str:
    """The message for an unhandled Ctrl-C: a command for a bench was still loading."""
    return f"Interrupted before {NOTHING_ASKED}" if hasattr(args, "host") else "Interrupted."


def code_of(error: BenchdError) -> int:
    """The exit code an error ends with."""
    return exits.FAULT if error.code in FAULTS else exits.REFUSED


def print_error(error: BenchdError, *, as_json: bool) -> None:
    """Text, advice and code: for a person on stderr, as JSON on stdout."""
    if as_json:
        print(json.dumps({"ok": False, "error": error.as_json()}, ensure_ascii=False))
        return
    print(wrapped(in_words(error), sys.stderr), file=sys.stderr)


def in_words(error: BenchdError) -> str:
    """What happened, what to do next, and the code it is known by."""
    advice = f"\n{error.advice}" if error.advice else ""
    # The problems of a file are a list, and each says what is allowed.
    return f"{error.text}{advice}" if "\n" in error.text else f"{error.text} ({error.known_as}){advice}"
