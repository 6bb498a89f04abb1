"""`benchd show`: one thing out of the record."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from rich.console import RenderableType

    from benchd.records.reader import Reader

_REVISION = re.compile(r"[0-9]{1,18}")

KINDS = ("lens", "run", "finding", "calibration", "setup")
FORMS = (
    (re.compile(r"r-[0-9]+"), "run"),
    (re.compile(r"f-[0-9]+"), "finding"),
    (re.compile(r"cal-[0-9]+"), "calibration"),
    (re.compile(r"(setup-)?[0-9]+"), "setup"),
)

Shown = tuple[dict[str, Any], "list[RenderableType]"]


def arguments(parser: argparse.ArgumentParser) -> None:
    """What, and its id."""
    parser.add_argument("what", metavar="what", help=f"{', '.join(KINDS)}; or an id by itself")
    parser.add_argument("id", nargs="?", help="L-0417, r-0192, f-310, cal-7, 1187; the last one where left out")
    options.record(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 shown, 1 the record holds no such thing."""
    from benchd.cli.recorded import opened

    shows = {"lens": _lens, "run": _run, "finding": _finding, "calibration": _calibration, "setup": _setup}
    what, name = (args.what, args.id) if args.what in KINDS else (kind_of(args), args.what)
    with opened(args) as reader:
        doc, parts = shows[what](reader, name)
    if args.json:
        print(json.dumps(doc, ensure_ascii=False))
    else:
        from benchd.cli.console import out

        out().print(*parts, sep="\n")
    return exits.DONE


def kind_of(args: argparse.Namespace) -> str:
    """The kind of record that an id names. Raises UsageError if it has no known form."""
    from benchd.cli.guard import UsageError

    if args.id is not None:
        raise UsageError(f"show: '{args.what}' is none of {', '.join(KINDS)}")
    return next((kind for form, kind in FORMS if form.fullmatch(args.what)), "lens")


def _nothing(what: str) -> Exception:
    from benchd.errors import Refused

    return Refused("not_found", f"The record holds no {what} yet.")


def _finding(reader: Reader, code: str | None) -> Shown:
    from benchd.cli import tables

    if code is None:
        last = reader.findings(limit=1)
        if not last:
            raise _nothing("finding")
        doc = last[0]
    else:
        doc = reader.finding(code)
    return doc, [tables.finding(doc, chain_of(reader, doc))]


def chain_of(reader: Reader, finding: Mapping[str, Any]) -> list[Any]:
    """The datum chain of the set-up a finding was made at; empty for one that is about no lens."""
    setup = reader.setup(int(finding["setup"])) if finding["lens"] is not None else None
    return [] if setup is None else list(setup.chain)


def _run(reader: Reader, code: str | None) -> Shown:
    from benchd.cli import lines, tables
    from benchd.cli.barrel import as_json, in_words

    if code is None:
        last = reader.runs(limit=1)
        if not last:
            raise _nothing("run")
        code = last[0].run
    run, readings, findings = reader.run(code), reader.readings(code), reader.findings(run=code)
    why = reader.why_ended_early(run.run) if run.state in ("failed", "aborted") else None
    doc = asdict(run) | {"readings": [row.as_json() for row in readings], "findings": findings}
    doc["why"] = None if why is None else asdict(why)
    barrel = reader.barrel_pictures(run.run)
    doc["barrel"] = [as_json(one) for one in barrel]
    rows: list[tuple[str, RenderableType]] = [
        ("State", run.state),
        *([] if why is None else [("Why", f"{why.text} {why.advice}".rstrip() + f" ({why.code})")]),
        ("Began", run.began),
        ("Ended", run.ended or "not yet"),
        ("By", run.user),
        ("Lens", run.lens or "none"),
        ("Set-up", f"{run.setup}, at its beginning"),
    ]
    rows += [("Barrel", line) for line in in_words(barrel)]
    rows += [(f"  {name}", lines.plain(value, name)) for name, value in run.inputs.items()]
    parts: list[RenderableType] = [tables.heading(f"{run.procedure} {run.run}"), tables.pairs(rows)]
    parts += [tables.subheading(f"{len(readings)} readings"), tables.readings([row.as_json() for row in readings])]
    parts += [
        tables.subheading("Findings"),
        *(f"  {finding['assessment']}: {lines.finding(finding)}" for finding in findings),
    ]
    return doc, parts if findings else [*parts, "  none"]


def _lens(reader: Reader, code: str | None) -> Shown:
    from benchd.cli import lines, tables
    from benchd.errors import BenchdError, Refused

    findings = reader.findings(lens=code, limit=20)
    if code is None:
        code = next((doc["lens"] for doc in findings if doc["lens"]), None)
        if code is None:
            raise _nothing("finding of a lens")
        findings = reader.findings(lens=code, limit=20)
    record: dict[str, Any] = {}
    try:
        record = reader.lens(code)
    except BenchdError:
        # A lens that was never recorded itself may still have findings.
        if not findings:
            entered = ", ".join(reader.lenses()) or "none"
            advice = f"A lens enters the record with the first set-up that names it; so far: {entered}."
            raise Refused("unknown_name", f"The record holds no lens {code}.", advice=advice) from None
    parts: list[RenderableType] = [tables.heading(f"Lens {code}")]
    if record:
        parts.append(tables.pairs([(name, lines.plain(value, name)) for name, value in record.items()]))
    parts += [tables.subheading("Findings, newest first"), tables.findings(findings)]
    return {"lens": code, "record": record, "findings": findings}, parts


def _calibration(reader: Reader, code: str | None) -> Shown:
    from benchd.cli import tables
    from benchd.records.values import Calibration

    if code is None:
        found = list(reader.calibrations_in_force(_now()).values())
        if not found:
            raise _nothing("calibration in force")
        head = tables.heading("Calibrations in force")
        return {"in_force": [asdict(row) for row in found]}, [head, tables.calibrations([asdict(x) for x in found])]
    one: Calibration = reader.calibration(code)
    doc = asdict(one)
    parts: list[RenderableType] = [tables.heading(f"Calibration {code}", one.at), tables.calibrations([doc])]
    if one.finding is not None:
        parts.append(tables.finding(reader.finding(one.finding)))
    return doc, parts


def _setup(reader: Reader, code: str | None) -> Shown:
    from benchd.cli import tables
    from benchd.cli.guard import UsageError
    from benchd.cli.status import stated
    from benchd.errors import Refused

    if code is not None and _REVISION.fullmatch(code) is None:
        raise UsageError(f"'{code}' is no revision of the set-up, such as 1187")
    setup = reader.setup(None if code is None else int(code))
    if setup is None:
        last = reader.setup()
        if code is None or last is None:
            raise _nothing("set-up")
        raise Refused("unknown_name", f"The record holds no set-up {code}.", advice=f"The last one is {last.rev}.")
    doc = asdict(setup)
    parts: list[RenderableType] = [tables.heading(f"Set-up {setup.rev}", setup.at), tables.pairs(stated(setup.doc))]
    if setup.chain:
        parts += [tables.subheading("Datum chain"), tables.chain_table(setup.chain)]
    return doc, parts


def _now() -> str:
    from datetime import UTC, datetime

    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
