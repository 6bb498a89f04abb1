"""Which record is read, and reading it: the store that the options mean, open read-only."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli import options

if TYPE_CHECKING:
    from benchd.records.reader import Reader


def opened(args: argparse.Namespace) -> Reader:
    """The record that --store or --bench-file means, else that of the bench running here. Raises BenchdError."""
    from benchd.records.reader import Reader

    if args.store is not None:
        return Reader.open(args.store, Path.cwd())
    from benchd.files.bench_file import BenchFile
    from benchd.files.source import read_model

    path = bench_file(args)
    return Reader.open(read_model(path, BenchFile).store.url, path.parent)


def bench_file(args: argparse.Namespace) -> Path:
    """The bench file that is named, else that of the bench running here. Raises Refused('not_found')."""
    from benchd.cli.running import one_here
    from benchd.errors import Refused

    if args.bench_file is not None:
        return options.bench_file_at(args.bench_file)
    try:
        here = one_here(args.bench)
    except Refused as none:
        advice = "Name the bench file with --bench-file FILE, or the record with --store URL."
        raise Refused(none.code, none.text, advice=advice) from none
    assert here.file is not None
    return here.file
