"""Finds arrangements by entry point, and makes the one of a bench file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Annotated, Any, Literal

from annotated_types import Gt

from benchd.bench.arrangements.arrangement import ARRANGEMENT_API, Arrangement
from benchd.errors import BenchdError, Refused
from benchd.files.problems import FileProblems
from benchd.files.wording import one_of

if TYPE_CHECKING:
    from benchd.files.bench_file import BenchFile
    from benchd.files.loading import LoadedBench

ARRANGEMENTS = "benchd.arrangements"

DECLARED: Mapping[str, Any] = {
    "stands": str,
    "goes_by": tuple[Literal["distance_mm", "m"], ...],
    "moves_target": bool,
    "curve_width": Annotated[float, Gt(0.0)],
    "cannot_tell": tuple[str, ...],
    "improves": Mapping[str, str],
}
"""What an arrangement says of itself, with the type of each."""


@cache
def names() -> tuple[str, ...]:
    """Those that are installed, sorted."""
    return tuple(sorted({point.name for point in entry_points(group=ARRANGEMENTS)}))


@cache
def arrangement(name: str) -> type[Arrangement]:
    """The arrangement of that name. Raises Refused('unknown_name'), BenchdError (device_fault) for an unfit one."""
    for point in entry_points(group=ARRANGEMENTS, name=name):
        try:
            found: Any = point.load()
        except (Exception, SystemExit) as error:
            raise _unfit(point, f"cannot be loaded: {type(error).__name__}: {error}") from error
        if not (isinstance(found, type) and issubclass(found, Arrangement)):
            raise _unfit(point, "is no arrangement")
        if found.arrangement_api != ARRANGEMENT_API:
            raise _unfit(point, f"was written for version {found.arrangement_api} of the interface")
        if wrong := _wrong_in(found, name):
            raise _unfit(point, wrong)
        return found
    near = get_close_matches(name, names(), n=1)
    meant = f"Did you mean '{near[0]}'? " if near else ""
    raise Refused("unknown_name", f"There is no arrangement '{name}'.", advice=f"{meant}Known: {', '.join(names())}.")


@contextmanager
def asked(of: Arrangement) -> Iterator[None]:
    """A block that asks an arrangement: whatever else than a refusal its code raises is told as its own fault.

    Raises BenchdError (device_fault).
    """
    try:
        yield
    except BenchdError:
        raise
    except Exception as error:
        text = f"The arrangement '{of.name}' failed: {type(error).__name__}: {error}".rstrip(".") + "."
        raise BenchdError("device_fault", text, advice="Its author has to see to it.") from error


def _wrong_in(found: type[Arrangement], name: str) -> str:
    """What keeps a class from being used as the arrangement of that name; empty where nothing does."""
    from pydantic import TypeAdapter, ValidationError

    if found.__abstractmethods__:
        return f"lacks {' and '.join(sorted(found.__abstractmethods__))}"
    if not issubclass(found.Config, Arrangement.Config):
        return "has a `Config` that is none of an arrangement"
    for key, kind in {**DECLARED, "name": Literal[name]}.items():
        try:
            TypeAdapter(kind).validate_python(getattr(found, key, None), strict=True)
        except ValidationError as error:
            return f"declares {key} = {getattr(found, key, None)!r}: {error.errors(include_url=False)[0]['msg']}"
    return ""


def arrangement_of(file: BenchFile) -> Arrangement:
    """The arrangement of a bench, whose keys were found to be good when its file was read."""
    found = arrangement(file.arrangement.kind)
    return found(found.Config.model_validate(file.arrangement.rest))


def read_arrangement(loaded: LoadedBench) -> None:
    """Hold what a bench file says of its arrangement against what there is. Raises FileProblems at its lines."""
    kind = loaded.file.arrangement.kind
    at = ("arrangement",) if isinstance(loaded.source.data["arrangement"], str) else ("arrangement", "kind")
    try:
        found = arrangement(kind)
    except BenchdError as unfit:
        wrong = f"another: {unfit.text} {unfit.advice}"
        if unfit.code == "unknown_name":
            wrong = one_of("an arrangement that is installed", kind, names())
        raise FileProblems([loaded.source.problem(at, wrong)]) from unfit
    loaded.arrangement_config(found.Config)


def _unfit(point: EntryPoint, why: str) -> BenchdError:
    return BenchdError("device_fault", f"The arrangement '{point.name}' of {point.value} {why}.")
