"""Opens the record that the options name, read-only.

Measurements stay readable while a bench file is broken: only its `store.url` is read, and for a running bench not even
that.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli import options

if TYPE_CHECKING:
    from benchd.cli.running import Running
    from benchd.records.reader import Reader


def opened(args: argparse.Namespace) -> Reader:
    """The record that --store or --bench-file means, else as `bench_file` has it. Raises BenchdError."""
    from benchd.records.reader import Reader

    if args.store is not None:
        return Reader.open(args.store, Path.cwd())
    if args.bench_file is None and (store := _running(args).store) is not None:
        return Reader.open(store, Path.cwd())
    path = bench_file(args)
    return Reader.open(_url_in(path), path.parent)


def bench_file(args: argparse.Namespace) -> Path:
    """The bench file that is named, else that of the bench running here, else the one in this folder.

    Raises Refused('not_found').
    """
    if args.bench_file is not None:
        return options.bench_file_at(args.bench_file)
    here = _running(args)
    assert here.file is not None
    return here.file


def _running(args: argparse.Namespace) -> Running:
    """The bench that runs here, else that of the file in this folder, which does not run."""
    from benchd.cli.running import Running, one_here
    from benchd.errors import Refused

    try:
        return one_here(args.bench)
    except Refused as none:
        here = options.bench_file_at(Path.cwd())
        if args.bench is None and here.is_file():
            return Running(None, "", None, here)
        advice = (
            "Go to the folder of its bench.yaml, name the file with --bench-file FILE, or the record with --store URL."
        )
        raise Refused(none.code, none.text, advice=advice) from none


def _url_in(path: Path) -> str:
    """`store.url` of a bench file; the rest of it is ignored. Raises FileProblems."""
    from pydantic import BaseModel

    from benchd.files.bench_file import StoreEntry
    from benchd.files.problems import FileProblems
    from benchd.files.source import read_model

    class OnlyStore(BaseModel):
        store: StoreEntry

    try:
        return read_model(path, OnlyStore).store.url
    except FileProblems as error:
        raise FileProblems(error.problems, advice="Or name the record itself with --store URL.") from error
