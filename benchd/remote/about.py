"""The kept document `about`: devices, procedures, questions and detectors of this bench."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from typing import Any, TypeVar

import structlog

from benchd.bench.assembly import Assembly
from benchd.bench.bench import Bench
from benchd.detectors import registry as detectors
from benchd.devices import Axis, Camera, Encoder, Gauge, Identity, Light, Meter, Operator
from benchd.errors import BenchdError
from benchd.procedures.library import Library
from benchd.questions import registry as questions

_log = structlog.get_logger("benchd")

T = TypeVar("T")


def about(
    bench: Bench, library: Library, epoch: str, version: str, identities: Mapping[str, Identity]
) -> dict[str, Any]:
    """The kept document `about`."""
    assembly: Assembly = bench.assembly
    devices = {
        assembly.public_name(name): {
            "kind": _kind_of(device),
            "driver": bench.file.devices[name].driver if name in bench.file.devices else "operator",
            "model": identities[name].model if name in identities else "",
            "firmware": identities[name].firmware if name in identities else "",
            "spec": _spec(device),
        }
        for name, device in assembly.devices.items()
    }
    return {
        "version": version,
        "bench": bench.file.bench,
        "arrangement": bench.file.arrangement.kind,
        "stands": bench.setup.arrangement.stands,
        "cannot_tell": list(bench.setup.arrangement.cannot_tell),
        "time_zone": bench.file.time_zone,
        "epoch": epoch,
        "devices": devices,
        "roles": dict(assembly.roles),
        "procedures": {name: file.procedure.describe() for name, file in library.items()},
        "questions": _questions(),
        "detectors": _detectors(),
    }


def _questions() -> dict[str, dict[str, Any]]:
    return {
        name: {
            "asks": asked.asks,
            "of": asked.of,
            "values": {key: value.name for key, value in asked.values.items()},
            "calibrates": asked.calibrates,
        }
        for name, asked in _usable("question", questions.names(), questions.question)
    }


def _detectors() -> dict[str, dict[str, Any]]:
    return {
        name: {
            "works_on": found.device.__name__.lower(),
            "quantity": found.quantity,
            "unit": found.unit,
            "channels": {channel: found.legends.get(channel, channel) for channel in found.channels},
        }
        for name, found in _usable("detector", detectors.names(), detectors.detector)
    }


def _usable(kind: str, names: Iterable[str], named: Callable[[str], T]) -> Iterator[tuple[str, T]]:
    """Those that can be used; for the others the log says why not."""
    for name in names:
        try:
            yield name, named(name)
        except BenchdError as unfit:
            _log.warning(kind, name=name, why=unfit.text)


def _kind_of(device: object) -> str:
    kinds = (Axis, Encoder, Gauge, Light, Meter, Camera, Operator)
    return next((kind.__name__.lower() for kind in kinds if isinstance(device, kind)), "device")


def _spec(device: object) -> dict[str, Any]:
    """The `spec` of a device, with null for values not stated; of a meter what it measures."""
    if isinstance(device, Meter):
        return {"quantity": device.quantity, "unit": device.unit, "contacts": device.contacts}
    if isinstance(device, Axis | Encoder | Gauge | Light | Camera):
        return {key: list(value) if isinstance(value, tuple) else value for key, value in asdict(device.spec).items()}
    return {}
