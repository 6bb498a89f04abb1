"""`benchd report`: the findings of a run or lens, and what they show as a picture."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.records.reader import Reader


def arguments(parser: argparse.ArgumentParser) -> None:
    """Of what, and where the picture goes."""
    parser.add_argument("of", metavar="RUN|LENS", help="r-0192, f-310, or L-0417 for the last finding of that lens")
    parser.add_argument("--times", action="store_true", help="RUN: where its time went, beside the least it could take")
    parser.add_argument("--out", type=Path, metavar="FILE.png", help="where the picture goes (LENS-FINDING.png here)")
    options.record(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 if there are findings, 1 if none."""
    from benchd.cli.barrel import as_json, in_words, written
    from benchd.cli.guard import UsageError
    from benchd.cli.recorded import opened
    from benchd.cli.show import chain_of

    if args.out is not None and args.out.suffix.lower() != ".png":
        raise UsageError(f"--out {args.out}: the picture is a PNG, so name it .png")
    if args.times:
        return _times(args)
    with opened(args) as reader:
        findings = findings_of(reader, args.of)
        chains = [chain_of(reader, doc) for doc in findings]
        drawn, why = _picture(args, reader, findings)
        barrel = reader.barrel_pictures(findings[-1]["run"])
        files = [] if args.json and args.out is None else written(reader, barrel, (args.out or Path()).parent)
    if args.json:
        doc = {"findings": findings, "chain": next((chain for chain in reversed(chains) if chain), [])}
        doc["barrel"] = [as_json(one) for one in barrel]
        print(json.dumps(doc | {"picture": None if drawn is None else str(drawn[1])}, ensure_ascii=False))
        return exits.DONE
    from benchd.cli.console import out
    from benchd.cli.speak import remark
    from benchd.cli.tables import finding

    for doc, chain in zip(findings, chains, strict=True):
        out().print(finding(doc, chain))
    if drawn is not None:
        print(f"\nThe picture of {drawn[0]} is in {drawn[1]}.")
    elif why:
        remark(f"\n{why}")
    if barrel:
        print("\nThe barrel at", *in_words(barrel), sep="\n  ")
        if files:
            print(f"  {'This file is' if len(files) == 1 else f'These {len(files)} files are'} in {files[0].parent}.")
    return exits.DONE


def _times(args: argparse.Namespace) -> int:
    from benchd.cli.guard import UsageError
    from benchd.cli.recorded import opened
    from benchd.errors import Refused

    if not args.of.startswith("r-") or args.out is not None:
        raise UsageError("report --times: of a run, r-0192, and without --out")
    with opened(args) as reader:
        run = reader.run(args.of)
        told = reader.times_of(run.run)
    if told is None:
        raise Refused("not_found", f"The record does not say where the time of {run.run} went; it is {run.state}.")
    if args.json:
        print(json.dumps(dict(told.data), ensure_ascii=False))
    else:
        from benchd.cli.console import out
        from benchd.cli.times import times_table

        out().print(times_table(told.data))
    return exits.DONE


def findings_of(reader: Reader, of: str) -> list[dict[str, Any]]:
    """The findings of a run in their order, the finding itself, or the last one of a lens. Raises BenchdError."""
    from benchd.errors import Refused

    if of.startswith("f-"):
        return [reader.finding(of)]
    if of.startswith("r-"):
        state = reader.run(of).state
        found = reader.findings(run=of)[::-1]
    else:
        found = reader.findings(lens=of, limit=1)
    if not found and of.startswith("r-"):
        advice = f"The run is {state}; `benchd show run {of}` tells more."
        raise Refused("not_found", f"The record holds no finding of '{of}'.", advice=advice)
    if not found:
        about = sorted({str(doc["lens"]) for doc in reader.findings() if doc["lens"]})
        advice = f"Lenses with findings: {', '.join(about)}." if about else "There are no findings of lenses yet."
        raise Refused("not_found", f"The record holds no finding of '{of}'.", advice=advice)
    return found


def _picture(
    args: argparse.Namespace, reader: Reader, findings: list[dict[str, Any]]
) -> tuple[tuple[str, Path] | None, str]:
    """The subject and file of the picture of the last finding that has one; else None, and why it was not drawn.

    Raises BenchdError if --out asks for it and it cannot be drawn. If none is wanted or exists, no reason is given.
    """
    from benchd.cli.guard import in_words
    from benchd.errors import BenchdError, Refused
    from benchd.questions.registry import wording_of

    shown = next(((doc, what) for doc in reversed(findings) if (what := wording_of(doc).draws(doc))), None)
    if args.out is None and (args.json or shown is None):
        return None, ""
    if shown is None:
        raise Refused("not_found", f"{args.of} has no curve to draw.", advice="Leave --out away.")
    doc, what = shown
    what = f"{doc['finding']} ({what})"
    about = doc["lens"] or doc["measurand"].get("artefact") or doc["assessment"]
    place = args.out or Path(f"{about}-{doc['finding']}.png")
    try:
        write_picture(place, _draw(args, reader, doc))
    except BenchdError as error:
        if args.out is not None:
            raise
        return None, f"The picture of {what} was not drawn. {in_words(error)}"
    return (what, place), ""


def _draw(args: argparse.Namespace, reader: Reader, doc: dict[str, Any]) -> bytes:
    from benchd.cli import own_words
    from benchd.cli.speak import remark
    from benchd.errors import Refused
    from benchd.questions.wording import Material

    material = Material(reader.readings(doc["run"]), _position_u_um(args), remark)
    try:
        return own_words.picture(doc, material)
    except ImportError as error:
        raise Refused(
            "not_found", f"Pictures need {error.name}, which is not installed.", advice="pip install 'benchd[reports]'"
        ) from error


def write_picture(place: Path, picture: bytes, option: str = "--out") -> None:
    """Raises BenchdError with what to do."""
    from benchd.errors import BenchdError

    try:
        place.write_bytes(picture)
    except OSError as error:
        advice = f"Name a file in a folder that is there and may be written, with {option} FILE.png."
        raise BenchdError("bad_request", f"{place} cannot be written: {error.strerror}.", advice=advice) from error


def _position_u_um(args: argparse.Namespace) -> float | None:
    """The noise of one position as the assessment takes it, by the bench file; None without one."""
    from benchd.bench.assembly import build
    from benchd.bench.datum.chain import position_noise_um, position_record
    from benchd.cli.recorded import bench_file
    from benchd.cli.speak import remark
    from benchd.devices import Encoder
    from benchd.files.loading import load_bench
    from benchd.files.problems import FileProblems

    if args.store is not None and args.bench_file is None:
        remark("Without the bench file the noise of a position is not known; --bench-file FILE names it.")
        return None
    try:
        loaded = load_bench(bench_file(args))
        assembly = build(loaded)
    except FileProblems as broken:
        remark(f"The bench file does not say the noise of a position; the curve is drawn without it. {broken}")
        return None
    encoder = assembly.in_role("position", Encoder)
    record = position_record(loaded.file, None if encoder is None else encoder.spec)
    return position_noise_um(record, assembly.position_resolution_um)
