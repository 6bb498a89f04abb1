"""The detectors that are installed, ours and anybody's."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Annotated, Any

from annotated_types import Gt, MinLen, Predicate
from pydantic import BaseModel

from benchd.detectors.detector import AUTO, DETECTOR_API, Detector
from benchd.devices import Device
from benchd.errors import BenchdError
from benchd.plugins import NAME, Plugins


def _differ(names: Sequence[str]) -> bool:
    return len(set(names)) == len(names)


DECLARED: Mapping[str, Any] = {
    "device": type[Device],
    "channels": Annotated[tuple[Annotated[str, Predicate(NAME.fullmatch)], ...], MinLen(1), Predicate(_differ)],
    "unit": str,
    "quantity": str,
    "legends": Mapping[str, str],
    "tells_blur": bool,
    "Config": type[BaseModel],
    "at_most_s": Annotated[float, Gt(0.0)],
}
"""What a detector says of itself, with the type of each."""

DETECTORS: Plugins[Detector] = Plugins(
    "benchd.detectors",
    "detector",
    Detector,
    api=("detector_api", DETECTOR_API),
    declared=DECLARED,
    reserved=(AUTO,),
)


def names() -> tuple[str, ...]:
    """The detectors that are installed, ours first, else sorted."""
    return tuple(sorted(DETECTORS.names(), key=lambda name: (not DETECTORS.is_ours(name), name)))


def detector(name: str) -> type[Detector]:
    """The detector of that name. Raises Refused('unknown_name'), and BenchdError (device_fault) for an unfit one."""
    return DETECTORS.named(name)


def installed() -> list[type[Detector]]:
    """All that can be used, ours first; an unfit one is told of where it is asked for."""
    found = []
    for name in names():
        try:
            found.append(detector(name))
        except BenchdError:
            continue
    return found


def kinds() -> tuple[type[Device], ...]:
    """The kinds of device that some detector works on."""
    return tuple(dict.fromkeys(one.device for one in installed()))


def quantity(merit: str | None) -> str:
    """What the values of a merit are, in words; plain ones where its detector is not installed."""
    found = _known(merit)
    return f"Merit ({merit})" if found is None else found.quantity


def works_on(merit: str | None) -> str:
    """The kind of device behind a merit, in a word; a plain one where its detector is not installed."""
    found = _known(merit)
    return "detector" if found is None else found.device.__name__.lower()


def legend(channel: str) -> str:
    """What a channel of the record, `<detector>.<channel>`, is in words; its own name where nobody has any for it."""
    merit, _, own = channel.partition(".")
    found = _known(merit)
    return channel if found is None else found.legends.get(own, channel)


def in_order(merit: str, channels: Collection[str]) -> list[str]:
    """Channels of the record as the detector of that merit has them; by name where it is not installed."""
    found = _known(merit)
    declared = [] if found is None else [f"{merit}.{channel}" for channel in found.channels]
    return [*(one for one in declared if one in channels), *sorted(set(channels) - set(declared))]


def _known(merit: str | None) -> type[Detector] | None:
    try:
        return None if merit is None else detector(merit)
    except BenchdError:
        return None


def passed_over() -> list[str]:
    """A sentence for each detector of another package that is not used, as it has the name of one of ours."""
    return DETECTORS.passed_over()
