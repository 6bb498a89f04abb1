"""`benchd batch`: one lens after another through `next_lens`, with a table, or a CSV file, at the end."""

from __future__ import annotations

import argparse
import csv
import json
import secrets
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.cli.following import Outcome
    from benchd.client import BenchClient

NEXT_LENS = "next_lens"
OF_ONE_LENS = ("lens", "m")
"""Inputs that belong to one lens, not to a whole batch."""

COLUMNS = ("lens", "run", "finding", "state", "focus_error_um", "U_um", "verdict", "p_conform", "shim_um", "total_um",
           "foretold")  # fmt: skip


def arguments(parser: argparse.ArgumentParser) -> None:
    """Which lenses, and what they have in common."""
    parser.add_argument("lenses", nargs="+", metavar="LENS", help="ids, labels or models; key=value for all of them")
    parser.add_argument("--like", metavar="ID", help="a lens without a record is another specimen of this one's model")
    parser.add_argument("--csv", type=Path, metavar="FILE.csv", help="the table as a file, a row added as each is done")
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 if all pass, 4 if one does not, 1 or 3 if a run did not come to its end: the batch ends there."""
    from benchd.cli.guard import UsageError
    from benchd.cli.speak import with_bench

    words = [word for word in args.lenses if "=" in word]
    lenses = [word for word in args.lenses if "=" not in word]
    if not lenses:
        raise UsageError("batch: which lenses? `benchd batch L-0601 L-0602 distance_mm='5 m'`")
    if twice := sorted({lens for lens in lenses if lenses.count(lens) > 1}):
        raise UsageError(f"batch: {', '.join(twice)} is named twice")
    for word in words:
        if (key := word.partition("=")[0]) in OF_ONE_LENS:
            raise UsageError(f"batch: {key} is of one lens; give it with `benchd run {NEXT_LENS}`")
    if args.csv is not None and args.csv.exists():
        raise UsageError(f"batch: {args.csv} is there already; name another file")
    return with_bench(args, lambda bench: _batch(args, bench, lenses, words))


async def _batch(args: argparse.Namespace, bench: BenchClient, lenses: Sequence[str], words: Sequence[str]) -> int:
    from benchd.cli.inputs import from_words
    from benchd.cli.run import code_of, described, run_to_the_end
    from benchd.cli.speak import remark, take_control
    from benchd.errors import Refused

    described_inputs = (await described(bench, NEXT_LENS))["inputs"]
    inputs = from_words(words, described_inputs)
    first = {key: value for key, value in inputs.items() if described_inputs[key].get("stands")}
    each = {key: value for key, value in inputs.items() if key not in first}
    await take_control(bench)
    await _make_records(args, bench, lenses)
    for lens in lenses:  # what cannot be is refused before the first is seated
        given = {"lens": lens, **inputs}
        plan = await bench.command("run", beat=False, procedure=NEXT_LENS, inputs=given, dry=True)
        if plan["problems"]:
            raise Refused("bad_request", f"{lens}: {plan['problems'][0]}", advice="No lens has been checked.")
    _begin(args.csv)
    rows: list[dict[str, Any]] = []
    code = exits.DONE
    try:
        for number, lens in enumerate(lenses, 1):
            remark(f"{number} of {len(lenses)}: {lens}")
            given = {"lens": lens, **each, **(first if number == 1 else {})}
            outcome = await run_to_the_end(bench, NEXT_LENS, given, secrets.token_hex(6))
            rows.append(_row(lens, outcome))
            _append(args.csv, rows[-1])
            if not args.json:
                _say(outcome)
            code = max(code, code_of(outcome))
            if outcome.state != "done":
                code = code_of(outcome)
                remark(f"The batch ends with {lens}; {len(lenses) - number} were not checked.")
                break
    finally:
        _show(args, rows)
    return code


async def _make_records(args: argparse.Namespace, bench: BenchClient, lenses: Sequence[str]) -> None:
    """Records of lenses that have none yet, where `--like` says what they are. No label or model is made a lens.

    Raises Refused.
    """
    if args.like is None:
        return
    from benchd.cli.lens import of_the_model, stands
    from benchd.errors import Refused

    values = of_the_model(await stands(bench, args.like))
    for lens in lenses:
        try:
            await bench.command("run", beat=False, procedure=NEXT_LENS, inputs={"lens": lens}, dry=True)
        except Refused as refused:
            if "lens" not in refused.data.get("missing", ()):
                raise
            await _refuse_label(bench, lens)
            await bench.command("record", beat=False, kind="lens", id=lens, set=values, new=True)


async def _refuse_label(bench: BenchClient, name: str) -> None:
    """Raise Refused for what reads as a label of a lens on record, but for its check character."""
    from benchd.cli.lens import stands
    from benchd.errors import Refused

    known, _, mark = name.rpartition("-")
    if len(mark) != 1 or not known:
        return
    try:
        await stands(bench, known)
    except Refused:
        return
    raise Refused(
        "bad_request", f"{name} is no label of {known}: the check character differs.", advice="Read it again."
    )


def _row(lens: str, outcome: Outcome) -> dict[str, Any]:
    row: dict[str, Any] = dict.fromkeys(COLUMNS)
    row |= {"lens": lens, "run": outcome.run, "state": outcome.state}
    finding = outcome.findings.get("flange")
    if finding is None:
        return row
    error, verdict, advice = finding["values"]["focus_error"], finding["verdict"], finding["advice"]
    row |= {"lens": finding["lens"], "finding": finding["finding"]}
    row |= {"focus_error_um": error["value"], "U_um": error["U"]}
    if verdict is not None:
        row |= {"verdict": verdict["is"], "p_conform": verdict["p_conform"]}
    if advice is not None:
        foretold = advice.get("foretold") or {}
        row |= {"shim_um": advice["shim_um"], "total_um": advice.get("total_um"), "foretold": foretold.get("is")}
    return row


def _say(outcome: Outcome) -> None:
    """The verdict on one lens and what to do, in a few lines."""
    import sys

    from benchd.cli import own_words
    from benchd.cli.prose import wrapped
    from benchd.cli.run import why_ended
    from benchd.questions.flange.words import best_focus_sentence, headline

    finding = outcome.findings.get("flange")
    if finding is None or outcome.state != "done":
        print(wrapped(why_ended(outcome), sys.stdout))
        return
    print(wrapped(f"{headline(finding)}. {best_focus_sentence(finding)}", sys.stdout))
    for _, text in own_words.advice(finding):
        if text:
            print(wrapped(text, sys.stdout))


def _begin(path: Path | None) -> None:
    """The file with the heads of its columns, before the first lens. Raises BenchdError."""
    _write(path, "w", lambda writer: writer.writeheader())


def _append(path: Path | None, row: Mapping[str, Any]) -> None:
    """Raises BenchdError for a file that cannot be written."""
    cells = {key: "" if value is None else value for key, value in row.items()}
    _write(path, "a", lambda writer: writer.writerow(cells))


def _write(path: Path | None, mode: str, what: Callable[[csv.DictWriter[str]], object]) -> None:
    if path is None:
        return
    from benchd.errors import BenchdError

    try:
        with path.open(mode, newline="", encoding="utf-8") as out:
            what(csv.DictWriter(out, COLUMNS))
    except OSError as error:
        advice = "Lenses that have been checked are in the record all the same: `benchd show lens ID`."
        raise BenchdError("bad_request", f"{path} cannot be written: {error.strerror}.", advice=advice) from error


def _show(args: argparse.Namespace, rows: Sequence[Mapping[str, Any]]) -> None:
    if args.json:
        print(json.dumps({"lenses": rows}, ensure_ascii=False))
        return
    if not rows:
        return
    from benchd.cli import tables
    from benchd.cli.console import out
    from benchd.reports.numbers import number, percent

    def cells(row: Mapping[str, Any]) -> list[str]:
        value, U = row["focus_error_um"], row["U_um"]
        stated = row["state"] if value is None else f"{number(value, 1, sign=True)} ± {number(U, 1)}"
        p = "–" if row["p_conform"] is None else percent(row["p_conform"])
        shim = "–" if not row["shim_um"] else f"{number(row['shim_um'], 0, sign=True)}"
        return [row["lens"], stated, row["verdict"] or "–", p, shim, row["foretold"] or "–"]

    columns = [("Lens", "left"), ("Focus error µm", "right"), ("Verdict", "left"), ("p", "right"),
               ("Shim µm", "right"), ("Then", "left")]  # fmt: skip
    out().print(tables.plain(columns, [cells(row) for row in rows]))
