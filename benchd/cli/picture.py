"""`benchd picture`: what imaging sees in pictures, or in a folder of them taken at known depths; no bench needed."""

from __future__ import annotations

import argparse
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.cli.picture_focus import ThroughFocus
    from benchd.cli.picture_seen import Stated

CYCLES_PER_PX = 0.1
LIGHT_NM = 546.0
"""What a set-up takes, too, where it does not say."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Pictures, what a bench file would say of them, and where the annotated one goes."""
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE", help="PNG, JPEG or TIFF; or one folder of them")
    parser.add_argument(
        "--depths", type=Path, metavar="FILE.csv",
        help="FOLDER: the depth of each picture, lines of file,depth_um in the order taken under a line that says so",
    )  # fmt: skip
    parser.add_argument("--png", type=Path, metavar="OUT.png", help="draw the picture (FOLDER: the sharpest) with it")
    group = parser.add_argument_group("as in a bench file")
    at = group.add_mutually_exclusive_group()
    at.add_argument("--cycles-per-px", metavar="F", type=_within(0.0, 0.99), help="frequency in the picture (0.1)")
    at.add_argument("--lp-mm", metavar="F", type=_within(0.0, 2000.0), help="frequency at the target, with its scale:")
    scale = group.add_mutually_exclusive_group()
    scale.add_argument("--pixel-um", metavar="UM", type=_within(0.0, 1e4), help="a pixel on the target")
    scale.add_argument("--pitch-mm", metavar="MM", type=_within(0.01, 200.0), help="the side of the target's square")
    curve = group.add_mutually_exclusive_group()
    curve.add_argument("--linear", action="store_true", help="linear in light, where the file does not say otherwise")
    curve.add_argument("--gamma", metavar="G", type=_within(0.2, 5.0), help="value = light^(1/gamma)")
    group.add_argument("--f-number", metavar="N", type=_within(0.5, 64.0), help="FOLDER: of the lens, as it was set")
    group.add_argument(
        "--light-nm", metavar="NM", type=_within(200.0, 2500.0),
        help=f"FOLDER: of the light ({LIGHT_NM:g}): how wide a curve of that f-number ought to be goes by it",
    )  # fmt: skip
    options.output(parser)


def _within(low: float, high: float) -> Callable[[str], float]:
    def number(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not (low <= value <= high and value > 0.0):
            above = f"from {low:g}" if low else "above 0"
            raise argparse.ArgumentTypeError(f"'{text}' is no number {above} to {high:g}")
        return value

    return number


def run(args: argparse.Namespace) -> int:
    """0 if all could be measured, 1 if something was refused. Raises UsageError, BenchdError."""
    folder = _folder(args)
    stated = _stated(args)
    if folder is None:
        return _each(args, stated)
    from benchd.cli.depths import depths_in
    from benchd.cli.guard import print_error
    from benchd.cli.picture_focus import through_focus
    from benchd.cli.picture_words import focus_json, focus_table

    seen = through_focus(depths_in(args.depths, folder), stated, args.f_number, args.light_nm or LIGHT_NM)
    png = _drawn(args, seen, stated)
    if args.json:
        print(json.dumps(focus_json(seen) | {"png": png}, ensure_ascii=False))
    else:
        from benchd.cli.console import out

        out().print(focus_table(seen))
        _said(png)
        if args.png is not None and png is None:
            print(f"\nNo picture was written to {args.png}: in none of them is there anything to draw.")
        if seen.refused is not None:
            print_error(seen.refused, as_json=False)
    return exits.DONE if seen.refused is None else exits.REFUSED


def _drawn(args: argparse.Namespace, seen: ThroughFocus, stated: Stated) -> str | None:
    """The sharpest picture with the curve; by itself where they were not measured together. Raises BenchdError."""
    from benchd.cli.picture_seen import PictureSeen, see
    from benchd.cli.picture_words import drawn_focus, drawn_picture

    if seen.sharpest is not None:
        return _written(args, lambda: drawn_focus(seen))
    alone = None if args.png is None or seen.clearest is None else see(seen.clearest, stated)
    return _written(args, lambda: drawn_picture(alone)) if isinstance(alone, PictureSeen) else None


def _each(args: argparse.Namespace, stated: Stated) -> int:
    from benchd.cli.picture_seen import PictureSeen, as_json, see
    from benchd.cli.picture_words import drawn_picture, picture_table
    from benchd.detectors.values import Unusable

    refused, docs, png = False, [], None
    for path in args.files:
        seen = see(path, stated)
        refused = refused or isinstance(seen, Unusable) or isinstance(seen.found, Unusable)
        if isinstance(seen, PictureSeen):
            png = _written(args, lambda seen=seen: drawn_picture(seen))  # type: ignore[misc]
        if args.json:
            docs.append(as_json(path, seen))
            continue
        from benchd.cli.console import out

        out().print(picture_table(path, seen))
    if args.json:
        print(json.dumps({"ok": not refused, "pictures": docs, "png": png}, ensure_ascii=False))
    _said(None if args.json else png)
    return exits.REFUSED if refused else exits.DONE


def _folder(args: argparse.Namespace) -> Path | None:
    """The folder that is named, None for files. Raises UsageError for what does not go together."""
    from benchd.cli.guard import UsageError

    folders = [path for path in args.files if path.is_dir()]
    if folders and len(args.files) > 1:
        raise UsageError(f"{folders[0]} is a folder: it goes by itself, or name its pictures")
    if folders and args.depths is None:
        raise UsageError(f"{folders[0]} is a folder: --depths FILE.csv says at which depth each picture was taken")
    if folders and (args.f_number is None or not (args.pixel_um or args.pitch_mm)):
        raise UsageError("a curve through focus takes --f-number, and the scale: --pixel-um or --pitch-mm")
    of_folder = ((args.depths, "--depths"), (args.f_number, "--f-number"), (args.light_nm, "--light-nm"))
    for given, name in of_folder:
        if given is not None and not folders:
            raise UsageError(f"{name} goes with a folder of pictures, and {args.files[0]} is none")
    if args.png is not None:
        if args.png.suffix.lower() != ".png":
            raise UsageError(f"--png {args.png}: the picture is a PNG, so name it .png")
        if len(args.files) > 1:
            raise UsageError("--png draws one picture: name one, or a folder with --depths")
        if args.files[0].resolve() in (args.png.resolve(), args.png.resolve().parent):
            raise UsageError(f"--png {args.png}: elsewhere, not over or among the pictures that are read")
    return folders[0] if folders else None


def _stated(args: argparse.Namespace) -> Stated:
    from benchd.cli.guard import UsageError

    if args.lp_mm is not None and not (args.pixel_um or args.pitch_mm):
        raise UsageError("--lp-mm takes the scale of the picture: --pixel-um or --pitch-mm")
    from benchd.cli.picture_seen import Stated
    from benchd.detectors.edge.pictures import Rendition

    rendition = Rendition(linear=args.linear, gamma=args.gamma)
    return Stated(rendition, args.cycles_per_px or CYCLES_PER_PX, args.lp_mm, args.pixel_um, args.pitch_mm)


def _written(args: argparse.Namespace, draw: Callable[[], bytes]) -> str | None:
    """The annotated picture's file, if one is wanted. Raises BenchdError."""
    if args.png is None:
        return None
    from benchd.cli.report import write_picture
    from benchd.errors import Refused

    try:
        picture = draw()
    except ImportError as error:
        why = f"Pictures need {error.name}, which is not installed."
        raise Refused("not_found", why, advice="pip install 'benchd[reports]', or leave --png away.") from error
    write_picture(args.png, picture, "--png")
    return str(args.png)


def _said(png: str | None) -> None:
    if png is not None:
        print(f"\nThe picture with it drawn over is in {png}.")
