"""The installed detectors, those of benchd and of other packages."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Annotated, Any

from annotated_types import Gt, MinLen, Predicate
from pydantic import BaseModel

from benchd.detectors.detector import AUTO, DETECTOR_API, Detector
from benchd.devices import Device
from benchd.errors import BenchdError
from benchd.plugins import NAME, Plugins


def _all_different(names: Sequence[str]) -> bool:
    return len(set(names)) == len(names)


DECLARED: Mapping[str, Any] = {
    "device": type[Device],
    "channels": Annotated[tuple[Annotated[str, Predicate(NAME.fullmatch)], ...], MinLen(1), Predicate(_all_different)],
    "unit": str,
    "quantity": str,
    "legends": Mapping[str, str],
    "tells_blur": bool,
    "goes_by_reference": bool,
    "scale_from": str,
    "curve_by_way": bool,
    "modulation": bool,
    "Config": type[BaseModel],
    "at_most_s": Annotated[float, Gt(0.0)],
}
"""Attributes that a detector declares, with their types."""

DETECTORS: Plugins[Detector] = Plugins(
    "benchd.detectors",
    "detector",
    Detector,
    api=("detector_api", DETECTOR_API),
    declared=DECLARED,
    reserved=(AUTO,),
)


def names() -> tuple[str, ...]:
    """The names of the installed detectors: benchd's own first, then sorted."""
    return tuple(sorted(DETECTORS.names(), key=lambda name: (not DETECTORS.is_ours(name), name)))


def detector(name: str) -> type[Detector]:
    """The detector of that name. Raises Refused('unknown_name'), and BenchdError (device_fault) for an unfit one."""
    return DETECTORS.named(name)


def whose_curve(merit: str | None) -> type[Detector]:
    """Whose curve is fitted; that of a modulation where its detector is not installed."""
    try:
        return Detector if merit is None else detector(merit)
    except BenchdError:
        return Detector


def installed() -> list[type[Detector]]:
    """All usable detectors, benchd's own first; an unfit one is refused where it is requested by name."""
    found = []
    for name in names():
        try:
            found.append(detector(name))
        except BenchdError:
            continue
    return found


def kinds() -> tuple[type[Device], ...]:
    """The kinds of device that some detector works on."""
    return tuple(dict.fromkeys(kind.device for kind in installed()))


def quantity(merit: str | None) -> str:
    """The name of a merit's values; a plain one if its detector is not installed."""
    found = _detector_or_none(merit)
    return f"Merit ({merit})" if found is None else found.quantity


def works_on(merit: str | None) -> str:
    """The kind of device behind a merit, in a word; `detector` if its detector is not installed."""
    found = _detector_or_none(merit)
    return "detector" if found is None else found.device.__name__.lower()


def scale_from(merit: str | None) -> str:
    """What tells a merit's frequency on the image's side, for a line of the budget."""
    found = _detector_or_none(merit)
    return Detector.scale_from if found is None else found.scale_from


def is_modulation(merit: str | None) -> bool:
    """Whether a merit's values are modulation at one frequency; taken to be if its detector is not installed."""
    found = _detector_or_none(merit)
    return Detector.modulation if found is None else found.modulation


def legend(channel: str) -> str:
    """The legend of a channel of the record, `<detector>.<channel>`; its name if there is no legend."""
    merit, _, own = channel.partition(".")
    found = _detector_or_none(merit)
    return channel if found is None else found.legends.get(own, channel)


def in_order(merit: str, channels: Collection[str]) -> list[str]:
    """Channels of the record in the order of their detector; sorted by name if it is not installed."""
    found = _detector_or_none(merit)
    declared = [] if found is None else [f"{merit}.{channel}" for channel in found.channels]
    return [*(channel for channel in declared if channel in channels), *sorted(set(channels) - set(declared))]


def _detector_or_none(merit: str | None) -> type[Detector] | None:
    try:
        return None if merit is None else detector(merit)
    except BenchdError:
        return None


def passed_over() -> list[str]:
    """A sentence for each detector of another package that is not used because benchd has one of that name."""
    return DETECTORS.passed_over()
