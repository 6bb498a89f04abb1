"""Links and devices of a bench by their names, and the roles they play."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

from benchd.detectors.available import Configs
from benchd.devices import Axis, Device, Encoder, Link
from benchd.errors import Refused

D = TypeVar("D", bound=Device)


@dataclass(frozen=True)
class Assembly:
    """Links and devices by their names in the bench file, and the roles they play.

    `detectors` are those that work on the device in that role, each with its section of the bench file.
    """

    links: Mapping[str, Link]
    devices: Mapping[str, Device]
    roles: Mapping[str, str]
    detectors: Configs = field(default_factory=dict)

    def public_name(self, device: str) -> str:
        """The role a device plays, else its own name."""
        return next((role for role, name in self.roles.items() if name == device), device)

    def named(self, name: str, kind: type[D]) -> D:
        """The device of a role or name, of the wanted kind. Raises Refused('unknown_name')."""
        device = self.devices.get(self.roles.get(name, name))
        if not isinstance(device, kind):
            known = [self.public_name(key) for key, value in self.devices.items() if isinstance(value, kind)]
            what = kind.__name__.lower()
            raise Refused(
                "unknown_name",
                f"This bench has no {what} '{name}'.",
                advice=f"It has: {', '.join(known)}." if known else f"It has no {what} at all.",
                data={"name": name, "known": known},
            )
        return device

    def in_role(self, role: str, kind: type[D]) -> D | None:
        """The device in a role if it is of that kind, else None."""
        device = self.devices.get(self.roles.get(role, ""))
        return device if isinstance(device, kind) else None

    @property
    def position_resolution_um(self) -> float:
        """Resolution of the encoder if there is one, else of the carriage's steps."""
        encoder = self.in_role("position", Encoder)
        return self.named("carriage", Axis).spec.resolution if encoder is None else encoder.spec.resolution_um
