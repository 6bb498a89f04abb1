"""Benches running on this machine, from the address files of their daemons; and the choice of one."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.errors import Refused
from benchd.files.run_folder import run_folder

START = "Start one with `benchd up BENCH`; one elsewhere is reached with --host."


@dataclass(frozen=True, slots=True)
class Running:
    """Where a bench is spoken to: `host` is a host or a URL. `bench` None: the one that is found there; `file` and
    `store` (the URL of its record) None: not on this machine. `account`: whether the broker asks for one."""

    bench: str | None
    host: str
    port: int | None
    file: Path | None = None
    store: str | None = None
    listeners: Mapping[str, int] = field(default_factory=dict)
    account: bool = True
    ca_file: Path | None = None


def all_here() -> list[Running]:
    """The benches whose daemons live, by name."""
    found = []
    for path in sorted(run_folder().glob("*.json")):
        try:
            doc = json.loads(path.read_text(encoding="utf-8"))
            if _lives(int(doc["pid"])):
                found.append(_of(doc))
        except (OSError, ValueError, KeyError, TypeError):
            continue  # incomplete, of another user, or left over: not a running bench
    return found


def _of(doc: Mapping[str, Any]) -> Running:
    return Running(
        str(doc["bench"]),
        str(doc.get("url") or doc["host"]),
        int(doc["port"]),
        Path(doc["file"]),
        doc.get("store"),
        dict(doc.get("listeners") or {}),
        bool(doc.get("account")),
        Path(doc["ca_file"]) if doc.get("ca_file") else None,
    )


def _lives(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def chosen(args: argparse.Namespace) -> Running:
    """The bench that --bench, --host and --port mean. Raises Refused('not_found') for none or several."""
    if args.host is not None or args.port is not None:
        return Running(args.bench, args.host or "127.0.0.1", args.port)
    return one_here(args.bench)


def one_here(name: str | None) -> Running:
    """The bench of that name, or the only one. Raises Refused('not_found') for none or several."""
    here = all_here()
    if not here:
        raise Refused("not_found", "No bench is running here.", advice=START)
    names = ", ".join(str(bench.bench) for bench in here)
    if name is not None:
        for bench in here:
            if bench.bench == name:
                return bench
        raise Refused("not_found", f"No bench '{name}' is running here.", advice=f"Running here: {names}. {START}")
    if len(here) > 1:
        raise Refused("not_found", "Several benches are running here.", advice=f"Name one with --bench: {names}.")
    return here[0]
