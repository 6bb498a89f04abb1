"""`benchd examples`: bench files, records and schemas to copy and to change, into a folder of one's own."""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from benchd.cli import exits, options

ENDINGS = (".yaml", ".json", ".rules")
LISTED = 3


def arguments(parser: argparse.ArgumentParser) -> None:
    """Where to."""
    parser.add_argument("folder", type=Path, metavar="DIR", help="made where it is not there; nothing is overwritten")
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 if all is copied, 1 if a file exists already or cannot be written; then nothing was written."""
    from benchd.commissioning.shipped import examples_folder
    from benchd.errors import Refused

    source, folder = examples_folder(), args.folder
    files = sorted(path.relative_to(source) for path in source.rglob("*") if path.suffix in ENDINGS)
    there = [folder / path for path in files if (folder / path).exists()]
    if there:
        more = f" and {len(there) - LISTED} more" if len(there) > LISTED else ""
        listed = ", ".join(str(path) for path in there[:LISTED]) + more
        raise Refused("bad_request", f"Nothing was copied: {listed} would be overwritten.", advice="Name a new folder.")
    try:
        for path in files:
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            # Created exclusively, so that a file that appeared meanwhile is never overwritten.
            with (folder / path).open("xb") as copy:
                copy.write((source / path).read_bytes())
    except OSError as error:
        text = f"{error.filename or folder}: {error.strerror}."
        raise Refused("bad_request", text, advice="Name a folder that you may write to, with room in it.") from error
    if args.json:
        print(json.dumps({"folder": str(folder), "files": [str(path) for path in files]}, ensure_ascii=False))
        return exits.DONE
    print(f"{len(files)} files in {folder}:")
    for name in sorted({path.parts[0] for path in files}):
        print(f"  {folder / name}/\n    {_describe_folder(source / name)}".rstrip())
    print(f"Change what differs, then: benchd check {folder / 'workshop'}")
    return exits.DONE


def _describe_folder(folder: Path) -> str:
    """What a folder of the examples holds; empty where that shows."""
    from benchd.arrangements.registry import arrangement
    from benchd.files.loading import load_bench

    if folder.name == "schemas":
        return "JSON Schemas for an editor, AsyncAPI of what goes over MQTT"
    if folder.name == "machine":
        return "a udev rule, by which ports and cameras may be used; it says how it is installed"
    if not (folder / "bench.yaml").exists():
        return ""
    drawer = "; a drawer of records" if (folder / "lenses").is_dir() else ""
    return arrangement(load_bench(folder / "bench.yaml").file.arrangement.kind).stands + drawer
