"""From a bench file to devices: drivers and links are checked, with problems at their lines, and built."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

from benchd.arrangements.registry import arrangement, arrangement_problems
from benchd.bench.assembly.assembly import Assembly
from benchd.bench.assembly.figures_stated import figures_not_stated
from benchd.bench.assembly.lasers import keep_laser_dark, laser_problems
from benchd.bench.assembly.lines import of_one_line
from benchd.bench.assembly.roles import role_problems
from benchd.bench.gauge_position import GaugeScale
from benchd.bench.plausible import implausible
from benchd.bench.within_reach import WithinReach
from benchd.detectors.available import configured
from benchd.devices import Axis, Device, DeviceFault, Gauge, Link, Operator, registry
from benchd.devices.guard import Guard
from benchd.devices.guarded import GuardedLink, guarded
from benchd.errors import Refused
from benchd.files.loading import LoadedBench
from benchd.files.problems import FileProblems, Problem

T = TypeVar("T")

OPERATOR = "operator"


def build(loaded: LoadedBench) -> Assembly:
    """Build all links and devices; no hardware is touched.

    Raises FileProblems with every wrong key of every device and link, at its line.
    """
    problems = arrangement_problems(loaded)
    links = {
        name: link for name, entry in loaded.file.links.items() if (link := _link(loaded, name, entry.kind, problems))
    }
    problems += of_one_line(loaded, links)
    devices: dict[str, Device] = {}
    for name, entry in loaded.file.devices.items():
        # A link that could not be built is a problem already; its devices would only repeat it.
        if (entry.link is None or entry.link in links) and (
            device := _device(loaded, name, entry.driver, links.get(entry.link or ""), problems)
        ):
            devices[name] = guarded(device, name, entry.driver)
    keep_laser_dark(loaded, devices)
    scale = devices.get(loaded.file.roles.get("position", ""))
    if isinstance(scale, Gauge):
        devices[loaded.file.roles["position"]] = GaugeScale(scale)
    problems += role_problems(loaded, devices)
    by_lens = not problems and arrangement(loaded.file.arrangement.kind).pitch_goes_with_lens
    problems += figures_not_stated(loaded, devices, by_lens=by_lens)
    problems += laser_problems(loaded, devices)
    detectors = configured(loaded, devices.get(loaded.file.roles.get("detector", "")), problems)
    problems += implausible(loaded, devices)
    carriage = devices.get(loaded.file.roles.get("carriage", ""))
    if isinstance(carriage, Axis) and not problems:  # a wrong travel is reported only once
        problems += WithinReach(loaded, carriage.spec).problems()
    if problems:
        raise FileProblems(problems)
    if not any(isinstance(device, Operator) for device in devices.values()):
        person = registry.driver(OPERATOR)
        devices[OPERATOR] = guarded(person.create(OPERATOR, person.Config(), None), OPERATOR, OPERATOR)
    watched = {name: GuardedLink(link, name, loaded.file.links[name].kind) for name, link in links.items()}
    return Assembly(watched, devices, {str(role): name for role, name in loaded.file.roles.items()}, detectors)


def _link(loaded: LoadedBench, name: str, kind: str, problems: list[Problem]) -> Link | None:
    with _problems_of(loaded, ("links", name), "kind", problems):
        found = registry.link_kind(kind)
        config = loaded.link_config(name, found.Config)
        return _create(f"link {name}", kind, Link, lambda: found.create(name, config))
    return None


def _device(loaded: LoadedBench, name: str, driver: str, link: Link | None, problems: list[Problem]) -> Device | None:
    with _problems_of(loaded, ("devices", name), "driver", problems):
        found = registry.driver(driver)
        config = loaded.device_config(name, found.Config)
        return _create(name, driver, Device, lambda: found.create(name, config, link))
    return None


@contextmanager
def _problems_of(loaded: LoadedBench, at: tuple[str, str], key: str, problems: list[Problem]) -> Iterator[None]:
    """Turns every error of making a driver or link into a problem at its lines in the bench file."""
    try:
        yield
    except FileProblems as wrong:
        problems += wrong.problems
    except Refused as unknown:
        problems.append(loaded.source.problem((*at, key), unknown.advice))
    except DeviceFault as fault:
        problems.append(loaded.source.problem((*at, key), fault.text))
    except ValueError as wrong_use:
        problems.append(loaded.source.problem_of_use(at, str(wrong_use)))


def _create(name: str, driver: str, kind: type[T], create: Callable[[], Any]) -> T:
    """The result of a driver's `create`. Raises its ValueError, and DeviceFault if it breaks the contract."""
    guard = Guard(name, driver)
    return guard.of_kind("create", guard.now("create", create, passing=ValueError), kind)
