"""Which record is read, and reading it: the store that the options mean, open read-only."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from benchd.records.reader import Reader


def opened(args: argparse.Namespace) -> Reader:
    """The record that --store or --bench means, else that of the bench running here. Raises BenchdError."""
    from benchd.records.reader import Reader

    if args.store is not None:
        return Reader.open(args.store, Path.cwd())
    from benchd.files.bench_file import BenchFile
    from benchd.files.source import read_model

    path = _bench_file(args.bench)
    return Reader.open(read_model(path, BenchFile).store.url, path.parent)


def _bench_file(bench: str | None) -> Path:
    from benchd.cli.running import one_here
    from benchd.errors import Refused

    if bench is not None:
        path = Path(bench)
        if path.is_dir():
            return path / "bench.yaml"
        if path.is_file() or path.suffix in (".yaml", ".yml") or "/" in bench:
            return path
    try:
        here = one_here(bench)
    except Refused as none:
        advice = "Name the bench file with --bench FILE, or the record with --store URL."
        raise Refused(none.code, none.text, advice=advice) from none
    assert here.file is not None
    return here.file
