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

    if args.what in ("new", "edit") and args.id is None:
        raise UsageError(f"lens {args.what}: which lens? `benchd lens {args.what} L-0417 key=value`")
    if args.pairs and args.what in ("list", "show"):
        raise UsageError(f"lens {args.what}: takes no '{args.pairs[0]}'")
    if args.like is not None and args.what != "new":
        raise UsageError(f"lens {args.what}: --like goes with `new`")
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
    if "shims_fitted_um" in given:
        given["shims_fitted_um"] = [float(um) for um in given["shims_fitted_um"]]
    if args.what == "edit" and not given:
        raise UsageError(f"lens edit: say what changes, as in `benchd lens edit {args.id} f_number=2.8`")
    if args.what == "new":
        given = _of_the_model(args) | given
        if not given:
            raise UsageError("lens new: say at least mount, focal_length_mm and f_number, or --like another lens")
    return with_bench(args, lambda bench: written(args, bench, args.id, given))


def _of_the_model(args: argparse.Namespace) -> dict[str, Any]:
    """What a new lens shares with the one that it is like. Raises Refused for an id that is taken."""
    from benchd.errors import Refused

    records = records_of(args) if args.host is None else None
    if records is not None and args.id in records.lenses:
        raise Refused("bad_request", f"There is a lens {args.id} already.", advice=f"`benchd lens edit {args.id} ..`")
    if args.like is None:
        return {}
    if records is None:
        raise Refused("bad_request", "--like reads the files of the bench, which are not here.")
    plain: Mapping[str, Any] = records.lens(args.like).model_dump(mode="json", exclude_unset=True)
    return {key: value for key, value in plain.items() if key not in NOT_OF_THE_MODEL and value is not None}


async def written(args: argparse.Namespace, bench: BenchClient, lens: str, values: Mapping[str, Any]) -> int:
    """Have the bench write the values of a lens, and say what came of it."""
    answer = await bench.command("record", beat=False, kind="lens", id=lens, set=dict(values))
    if args.json:
        print(json.dumps(answer, ensure_ascii=False))
        return exits.DONE
    changes = "; ".join(answer["changes"]) or f"lens {lens} is so already"
    print(f"{changes[:1].upper()}{changes[1:]}: {answer['file']}.")
    return exits.DONE
