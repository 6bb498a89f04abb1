"""`benchd lens`: the records of lenses. What is written the running bench checks and has in force at once."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.client import BenchClient
    from benchd.files.artefacts import Lens
    from benchd.files.records_folder import Records

NOT_OF_THE_MODEL = ("lens", "serial", "shims_fitted_um", "owner", "set")
"""Keys of one specimen, which another of the same model has values of its own for."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """What is done, with which lens, and the keys to set."""
    parser.add_argument("what", choices=("list", "show", "new", "edit"))
    parser.add_argument("id", nargs="?", help="L-0417")
    parser.add_argument(
        "pairs",
        nargs="*",
        default=[],
        metavar="key=value",
        help="new, edit: mount=m50 focal_length_mm=49.6+-0.2 f_number=2.0 rear_protrusion_mm=8; null takes a key out",
    )
    parser.add_argument("--like", metavar="ID", help="new: another specimen of the model of this lens")
    options.files(parser)
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 done, 1 refused: nothing was written then."""
    from benchd.cli.guard import UsageError

    writes = args.what in ("new", "edit")
    if writes and args.id is None:
        raise UsageError(f"lens {args.what}: which lens? `benchd lens {args.what} L-0417 key=value`")
    if args.pairs and not writes:
        raise UsageError(f"lens {args.what}: takes no '{args.pairs[0]}'")
    if args.like is not None and args.what != "new":
        raise UsageError(f"lens {args.what}: --like goes with `new`")
    if writes and args.bench_file is not None:
        raise UsageError(f"lens {args.what}: it goes by the running bench; --bench-file is for list and show")
    elsewhere = (args.host, args.port, args.user, args.password_file, args.ca_file)
    if not writes and any(given is not None for given in elsewhere):
        raise UsageError(f"lens {args.what}: reads the files on this machine, and asks no broker")
    match args.what:
        case "list":
            return _list(args)
        case "show":
            return _show(args)
        case _:
            return _write(args)


def records_of(args: argparse.Namespace) -> Records:
    """The records beside the bench file. Raises FileProblems, Refused('not_found')."""
    from benchd.cli.recorded import bench_file
    from benchd.files.loading import load_bench

    return load_bench(bench_file(args)).records


def _list(args: argparse.Namespace) -> int:
    lenses = records_of(args).lenses
    if args.json:
        print(json.dumps({"lenses": [lens.model_dump(mode="json") for lens in lenses.values()]}, ensure_ascii=False))
        return exits.DONE
    from benchd.cli import tables
    from benchd.cli.console import out

    columns = [("Lens", "left"), ("Model", "left"), ("Serial", "left"), ("Mount", "left"), ("Glass", "left"),
               ("Shims µm", "right"), ("± µm", "right")]  # fmt: skip
    out().print(tables.plain(columns, [_row(lens) for lens in lenses.values()]))
    return exits.DONE


def _row(lens: Lens) -> list[str]:
    shims = f"{sum(lens.shims_fitted_um):g}" if lens.shims_fitted_um else "–"
    tolerance = "–" if lens.tolerance is None else f"{lens.tolerance.flange_um:g}"
    return [lens.lens, lens.model, lens.serial, lens.mount, lens.designed_for_glass or "none", shims, tolerance]


def _show(args: argparse.Namespace) -> int:
    from benchd.cli.guard import UsageError

    if args.id is None:
        raise UsageError("lens show: which lens? `benchd lens list` tells which there are")
    records = records_of(args)
    lens = records.lens(args.id)
    source = records.sources["lens", lens.id]
    if args.json:
        print(json.dumps({"file": str(source.path), "lens": lens.model_dump(mode="json")}, ensure_ascii=False))
    else:
        print(f"{source.path}:\n\n{source.text}", end="")
    return exits.DONE


def _write(args: argparse.Namespace) -> int:
    from benchd.cli.guard import UsageError
    from benchd.cli.speak import with_bench
    from benchd.cli.typed import keys_of
    from benchd.cli.values import pairs
    from benchd.files.artefacts import Lens

    texts, lists = keys_of(Lens)
    given = pairs(args.pairs, texts=texts, lists=lists)
    given |= {key: None for key in lists if given.get(key) == ["null"]}
    if given.get("shims_fitted_um") is not None:
        given["shims_fitted_um"] = [_um(item) for item in given["shims_fitted_um"]]
    if args.what == "edit" and not given:
        raise UsageError(f"lens edit: say what changes, as in `benchd lens edit {args.id} f_number=2.8`")
    if args.what == "new" and not given and args.like is None:
        raise UsageError("lens new: say at least mount, focal_length_mm and f_number, or --like another lens")

    async def work(bench: BenchClient) -> int:
        values = given
        if args.like is not None:
            values = of_the_model(await stands(bench, args.like)) | given
        answer = await bench.command("record", beat=False, kind="lens", id=args.id, set=values, new=args.what == "new")
        return told(args, answer)

    return with_bench(args, work)


def _um(item: Any) -> float:
    """One of a list of lengths in um. Raises UsageError."""
    from benchd.cli.guard import UsageError

    try:
        return float(item)
    except (TypeError, ValueError):
        raise UsageError(f"shims_fitted_um: '{item}' is no number of µm, as in shims_fitted_um=50,10") from None


async def stands(bench: BenchClient, lens: str) -> dict[str, Any]:
    """The record of a lens as the bench has it in force. Raises Refused('unknown_name')."""
    return dict((await bench.command("record", beat=False, kind="lens", id=lens))["record"])


def of_the_model(record: Mapping[str, Any]) -> dict[str, Any]:
    """What a record says of every lens of its model."""
    return {key: value for key, value in record.items() if key not in NOT_OF_THE_MODEL}


def told(args: argparse.Namespace, answer: Mapping[str, Any]) -> int:
    """Say what came of a change."""
    if args.json:
        print(json.dumps(answer, ensure_ascii=False))
        return exits.DONE
    changes = "; ".join(answer["changes"]) or "nothing, it was so already"
    print(f"{changes[:1].upper()}{changes[1:]}: {answer['file']}.")
    return exits.DONE
