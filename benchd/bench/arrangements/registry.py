"""The arrangements that are installed, ours and anybody's, and the one of a bench file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated, Any, Literal

from annotated_types import Gt

from benchd.bench.arrangements.arrangement import ARRANGEMENT_API, Arrangement
from benchd.errors import BenchdError, Refused
from benchd.files.problems import FileProblems, Problem
from benchd.files.wording import one_of
from benchd.plugins import Plugins

if TYPE_CHECKING:
    from benchd.files.bench_file import BenchFile
    from benchd.files.loading import LoadedBench

DECLARED: Mapping[str, Any] = {
    "stands": str,
    "goes_by": tuple[Literal["distance_mm", "m"], ...],
    "moves_target": bool,
    "curve_width": Annotated[float, Gt(0.0)],
    "cannot_tell": tuple[str, ...],
    "improves": Mapping[str, str],
    "Config": type[Arrangement.Config],
}
"""What an arrangement says of itself, with the type of each."""

ARRANGEMENTS: Plugins[Arrangement] = Plugins(
    "benchd.arrangements",
    "arrangement",
    Arrangement,
    api=("arrangement_api", ARRANGEMENT_API),
    declared=DECLARED,
)


def arrangement(name: str) -> type[Arrangement]:
    """The arrangement of that name. Raises Refused('unknown_name'), BenchdError (device_fault) for an unfit one."""
    return ARRANGEMENTS.named(name)


def arrangement_of(file: BenchFile) -> Arrangement:
    """The arrangement of a bench, whose keys were found to be good when its file was read."""
    found = arrangement(file.arrangement.kind)
    return found(found.Config.model_validate(file.arrangement.rest))


def curve_width(name: str) -> float:
    """How wide its curves are; as wide as of light that passes the lens once where it is not installed."""
    try:
        return arrangement(name).curve_width
    except BenchdError:
        return 1.0


def unfit(loaded: LoadedBench) -> list[Problem]:
    """What of a bench file's arrangement does not go with what there is, at its lines."""
    kind = loaded.file.arrangement.kind
    at = ("arrangement",) if isinstance(loaded.source.data["arrangement"], str) else ("arrangement", "kind")
    try:
        loaded.arrangement_config(arrangement(kind).Config)
    except FileProblems as wrong:
        return list(wrong.problems)
    except Refused:
        return [loaded.source.problem(at, one_of("an arrangement that is installed", kind, ARRANGEMENTS.names()))]
    except BenchdError as fault:
        return [loaded.source.problem(at, f"another: {fault.text} {fault.advice}")]
    return []


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
        text = f"The arrangement '{of.name}' of {ARRANGEMENTS.package(of.name)} failed: {type(error).__name__}: {error}"
        raise BenchdError("device_fault", text.rstrip(".") + ".", advice="Its author has to see to it.") from error
