"""The kept document `about`: what stands on this bench, and what may be asked of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from benchd.bench.assembly import Assembly
from benchd.bench.bench import Bench
from benchd.devices import Axis, Camera, Encoder, Gauge, Identity, Light, Meter, Operator
from benchd.procedures.library import Library


def about(
    bench: Bench, library: Library, epoch: str, version: str, identities: Mapping[str, Identity]
) -> dict[str, Any]:
    """The kept document `about`: what stands here and what it can do."""
    assembly: Assembly = bench.assembly
    devices = {
        assembly.public_name(name): {
            "kind": _kind_of(device),
            "driver": bench.file.devices[name].driver if name in bench.file.devices else "operator",
            "model": identities[name].model if name in identities else "",
            "firmware": identities[name].firmware if name in identities else "",
            "spec": _abilities(device),
        }
        for name, device in assembly.devices.items()
    }
    return {
        "version": version,
        "bench": bench.file.bench,
        "arrangement": bench.file.arrangement,
        "time_zone": bench.file.time_zone,
        "epoch": epoch,
        "devices": devices,
        "roles": dict(assembly.roles),
        "procedures": {name: file.procedure.describe() for name, file in library.items()},
    }


def _kind_of(device: object) -> str:
    kinds = (Axis, Encoder, Gauge, Light, Meter, Camera, Operator)
    return next((kind.__name__.lower() for kind in kinds if isinstance(device, kind)), "device")


def _abilities(device: object) -> dict[str, Any]:
    """What a device's own `spec` says of it, null where nobody has stated it; of a meter what it measures."""
    if isinstance(device, Meter):
        return {"quantity": device.quantity, "unit": device.unit}
    if isinstance(device, Axis | Encoder | Gauge | Light | Camera):
        return asdict(device.spec)
    return {}
