"""The installed arrangements, those of benchd and of other packages, and the one of a bench file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Literal

from annotated_types import Gt

from benchd.arrangements.arrangement import ARRANGEMENT_API, Arrangement
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
    "pitch_goes_with_lens": bool,
    "curve_width": Annotated[float, Gt(0.0)],
    "cannot_tell": tuple[str, ...],
    "improves": Mapping[str, str],
    "calibrated_in": Mapping[str, str],
    "Config": type[Arrangement.Config],
}
"""Attributes that an arrangement declares, with their types."""

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
    """The arrangement of a bench; its keys were checked when the file was read."""
    name = file.arrangement.kind
    found = arrangement(name)
    config = found.Config.model_validate(file.arrangement.rest)
    if ARRANGEMENTS.is_ours(name):
        return found(config)
    from benchd.arrangements.guarded import guarded

    return guarded(found, config, tuple(DECLARED), ARRANGEMENTS.package(name))


def curve_width(name: str) -> float:
    """The width factor of its curves; 1, as for light that passes the lens once, if it is not installed."""
    try:
        return arrangement(name).curve_width
    except BenchdError:
        return 1.0


def arrangement_problems(loaded: LoadedBench) -> list[Problem]:
    """Problems of a bench file's arrangement (not installed, unfit, wrong keys), at their lines."""
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
    except Exception as error:  # noqa: BLE001 another package may raise anything
        why = f"keys that its `Config` takes, which failed: {type(error).__name__}: {error}"
        return [loaded.source.problem(at, why)]
    return []
