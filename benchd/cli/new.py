"""`benchd new`: what ports and cameras there are, and a commented bench file from answers. No port is opened."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.commissioning.new_bench import Given
    from benchd.commissioning.seen import Seen
    from benchd.errors import Refused
    from benchd.files.problems import Problem

CAUTION = (
    "Nothing is opened and nothing moves: this only asks, and writes a file. A carriage pinches once it is driven: "
    "wire an emergency stop first that acts without the computer."
)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Where to, and answers as key=value."""
    parser.add_argument(
        "words", nargs="*", metavar="FILE key=value", help="the file to write (bench.yaml), and answers by their keys"
    )
    parser.add_argument("--list", action="store_true", help="only say what ports, cameras and VISA resources there are")
    parser.add_argument("--keys", action="store_true", help="only say what is asked, by which keys, and the defaults")
    parser.add_argument("--defaults", action="store_true", help="ask nothing: take the default of what is not given")
    parser.add_argument("--overwrite", action="store_true", help="replace a file that is there already")
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 written, 1 refused or left: nothing was written then."""
    from benchd.cli.guard import UsageError
    from benchd.cli.speak import is_person

    if args.keys:
        return _keys(as_json=args.json)
    files = [word for word in args.words if "=" not in word]
    if len(files) > 1:
        raise UsageError(f"one file is written, not {len(files)}: {', '.join(files)}")
    words: dict[str, str] = {}
    for word in args.words:
        key, sign, text = word.partition("=")
        if sign and key in words:
            raise UsageError(f"'{key}' is given twice")
        words |= {key: text} if sign else {}
    from benchd.commissioning.seen import look

    seen = look()
    if args.list:
        _list(seen, as_json=args.json)
        return exits.DONE
    path = options.bench_file_at(Path(files[0] if files else "."))
    _check_place(path, overwrite=args.overwrite)
    if is_person() and not args.defaults:
        return _at_a_terminal(args, path, words, seen)
    from benchd.commissioning.new_bench import by_words

    return _written(args, path, by_words(words), seen)


def _check_place(path: Path, *, overwrite: bool) -> None:
    """Raise Refused before anything is asked, where the file could not be written in the end."""
    import os

    from benchd.commissioning.new_bench import already_there
    from benchd.errors import Refused

    if path.exists() and not overwrite:
        raise already_there(path)
    folder = path.absolute().parent
    if not folder.is_dir() or not os.access(folder, os.W_OK) or path.is_dir():
        advice = "Make the folder, or name another: devices, records and the database stand beside the file."
        raise Refused("bad_request", f"{folder} is no folder that may be written to.", advice=advice)


def _at_a_terminal(args: argparse.Namespace, path: Path, words: Mapping[str, str], seen: Seen) -> int:
    from benchd.cli.dialogue import LEGEND, Dialogue, Left
    from benchd.cli.speak import remark
    from benchd.commissioning.new_bench import checked, preset
    from benchd.commissioning.places import question_of
    from benchd.commissioning.questions import QUESTIONS
    from benchd.errors import Refused

    dialogue = Dialogue(QUESTIONS, preset(words), lambda key: _hints(key, seen))
    remark(f"{CAUTION}\n{LEGEND}")
    again: list[str] | None = None
    try:
        while True:
            given = dialogue.ask(again)
            problems, _ = checked(path, given.text(seen.ports))
            if not problems:
                break
            remark(f"\nThat does not go together yet:{_listed(problems)}")
            found = [question_of(problem.key, given.answers) for problem in problems]
            again = [key for key in found if key is not None]
            if not again:
                raise Refused("bad_request", "Nothing was written.", advice="Mend these files, then begin again.")
    except Left:
        remark("Nothing was written.")
        return exits.REFUSED
    except KeyboardInterrupt:
        raise KeyboardInterrupt("\nInterrupted; nothing was written.") from None
    except OSError as error:
        raise _unwritable(path, error) from error
    return _written(args, path, given, seen)


def _listed(problems: Sequence[Problem]) -> str:
    return "".join(
        f"\n  {problem.key}: {problem.stands} stands there, and what may is {problem.allowed}"
        if problem.stands
        else f"\n  {problem.file} {problem.key}: {problem.allowed}"
        for problem in problems
    )


def _hints(key: str, seen: Seen) -> list[str]:
    """What this machine has, where a port or a camera is asked for."""
    if key == "carriage_port":
        found = [port.in_words() for port in seen.ports]
        return found or [
            "No serial ports are to be seen: is the controller plugged in? Its path may be typed all the same."
        ]
    if key == "camera_source":
        return [camera.in_words() for camera in seen.cameras]
    if key.endswith("_resource"):
        return list(seen.visa or ())
    return []


def _written(args: argparse.Namespace, path: Path, given: Given, seen: Seen) -> int:
    """Check the text whole, then put it in its place. Raises Refused, FileProblems: nothing is written then."""
    from benchd.commissioning.new_bench import checked, put
    from benchd.files.problems import FileProblems

    text = given.text(seen.ports)
    try:
        problems, notes = checked(path, text)
        if problems:
            raise FileProblems(
                problems, advice="Nothing was written: the answers do not go together, or a file beside."
            )
        put(path, text, overwrite=args.overwrite)
    except OSError as error:
        raise _unwritable(path, error) from error
    if args.json:
        print(
            json.dumps(
                {"ok": True, "file": str(path), "guessed": given.guessed, "notes": list(notes)}, ensure_ascii=False
            )
        )
        return exits.DONE
    import sys

    from benchd.cli.prose import wrapped

    print(f"{path} is written.")
    for note in notes:
        print(wrapped(f"  note: {note}", sys.stdout))
    print(NEXT.format(path=path))
    return exits.DONE


def _unwritable(path: Path, error: OSError) -> Refused:
    from benchd.errors import Refused

    text = f"{error.filename or path}: {error.strerror}. Nothing was written."
    return Refused("bad_request", text, advice="Name a folder that you may write to, with room in it.")


NEXT = """\
Next     benchd check {path}      says what does not go together
         benchd doctor {path}     looks at ports, devices and this machine
         benchd examples DIR           has records of adapters, lenses and
                                       references to copy beside the file
         benchd up {path}         runs the bench"""


def _list(seen: Seen, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(seen.as_json(), ensure_ascii=False))
        return
    for what, lines, none in (
        ("Serial ports", [port.in_words() for port in seen.ports], "none; what is plugged in shows here at once"),
        ("Cameras", [camera.in_words() for camera in seen.cameras], "no video devices; a picture URL needs none"),
        (
            "VISA resources",
            list(seen.visa or ()),
            "none" if seen.visa is not None else "not looked for: pyvisa and pyvisa-py are not installed",
        ),
    ):
        print(f"{what}:")
        for line in lines or [none]:
            print(f"  {line}")


def _keys(*, as_json: bool) -> int:
    from benchd.commissioning.questions import QUESTIONS

    if as_json:
        listed = [
            {"key": one.key, "part": one.part, "text": one.text, "needed": one.default is None} for one in QUESTIONS
        ]
        print(json.dumps({"keys": listed}, ensure_ascii=False))
        return exits.DONE
    part = ""
    for one in QUESTIONS:
        if one.part != part:
            part = one.part
            print(f"{part}:")
        default = (
            "to be given"
            if one.default is None
            else f"else {one.default}"
            if isinstance(one.default, str)
            else "else after the others"
        )
        print(f"  {one.key}=..  {one.text} ({default})")
    return exits.DONE
