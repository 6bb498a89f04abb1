"""Loads a bench file with its records, whole or not at all, and checks them against each other."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel

from benchd.files.bench_file import BenchFile
from benchd.files.broker_account import Account, check_authorities, read_secret
from benchd.files.problems import FileProblems, Problem
from benchd.files.records_folder import MODELS, Records
from benchd.files.source import Source, check, load_yaml
from benchd.files.wording import one_of

OTHER_KINDS = (*MODELS, "procedure", "world")
"""First keys of other kinds of files."""

ModelT = TypeVar("ModelT", bound=BaseModel)


@dataclass
class LoadedBench:
    """The bench file, its source (for locating problems found later by drivers), and the records.

    The records are replaced whole as their files change (`benchd.bench.records_in_force`): ask for them each time.
    """

    file: BenchFile
    source: Source
    records: Records

    @property
    def folder(self) -> Path:
        """The folder that relative paths of the bench file start from."""
        return self.source.path.parent

    def device_config(self, device: str, config: type[ModelT]) -> ModelT:
        """The driver's own keys of a device as its `Config`. Raises FileProblems at their lines."""
        return check(self.source, config, at=("devices", device), data=self.file.devices[device].rest)

    def link_config(self, link: str, config: type[ModelT]) -> ModelT:
        """The link kind's own keys as its `Config`; a relative `port` starts at the bench file. Raises FileProblems."""
        return check(self.source, config, at=("links", link), data=self._from_here(self.file.links[link].rest))

    def arrangement_config(self, config: type[ModelT]) -> ModelT:
        """The arrangement's own keys as its `Config`. Raises FileProblems at their lines."""
        return check(self.source, config, at=("arrangement",), data=self.file.arrangement.rest)

    def broker_account(self) -> Account:
        """The account at the broker, its password read anew. Raises FileProblems at their lines."""
        account, problems = _account(self.source, self.file)
        if problems:
            raise FileProblems(problems)
        return account

    def _from_here(self, keys: Mapping[str, Any]) -> dict[str, Any]:
        port = keys.get("port")
        if isinstance(port, str) and port and "://" not in port and "/" in port:
            return {**keys, "port": str(self.folder.absolute() / port)}
        return dict(keys)


def load_bench(path: Path) -> LoadedBench:
    """Read a bench file and its records. Raises FileProblems with every problem of every file at once."""
    problems: list[Problem] = []
    source: Source | None = None
    file: BenchFile | None = None
    try:
        source = load_yaml(path)
        _demand_a_bench(source)
        file = check(source, BenchFile)
        problems += _contradictions(source, file)
        problems += _account(source, file)[1]
        if not (path.parent / file.records).is_dir():
            problems.append(source.problem(("records",), f"a folder that is there, seen from {path.parent.absolute()}"))
    except FileProblems as error:
        problems += error.problems
    records = Records()
    try:
        records = Records.load(path.parent / (file.records if file else "."))
    except FileProblems as error:
        problems += error.problems
    if source is not None and file is not None and not problems:
        problems += _against_records(source, file, records)
    if problems or source is None or file is None:
        raise FileProblems(problems)
    return LoadedBench(file, source, records)


def reload_records(loaded: LoadedBench) -> Records:
    """The records as their files are now, checked against each other and the bench file.

    Raises FileProblems with every problem of every file.
    """
    folder = loaded.folder / loaded.file.records
    if not folder.is_dir():
        raise FileProblems([loaded.source.problem(("records",), "a folder that is there")])
    return _fitting(loaded, Records.load(folder, loaded.records))


def records_with(loaded: LoadedBench, path: Path, text: str) -> Records:
    """The records in force, but for one file that is about to be written. Raises FileProblems."""
    texts = {source.path: source.text for source in loaded.records.sources.values()}
    return _fitting(loaded, Records.of_texts(texts | {path: text}, loaded.records))


def _fitting(loaded: LoadedBench, records: Records) -> Records:
    if problems := _against_records(loaded.source, loaded.file, records):
        raise FileProblems(problems)
    return records


def _demand_a_bench(source: Source) -> None:
    """Report another kind of file as such, instead of every missing key of a bench."""
    first = str(next(iter(source.data)))
    if first in OTHER_KINDS:
        raise FileProblems([source.problem((first,), "bench, with which a bench file begins")])


def _contradictions(source: Source, file: BenchFile) -> list[Problem]:
    problems = []
    if "carriage" not in file.roles:
        problems.append(
            source.problem(("roles",), "carriage among the roles, with the axis that is driven through focus")
        )
    for name, device in file.devices.items():
        if device.link is not None and device.link not in file.links:
            wrong = one_of("a link of this file", device.link, file.links)
            problems.append(source.problem(("devices", name, "link"), wrong))
    played: dict[str, str] = {}
    for role, device_name in file.roles.items():
        at = ("roles", role)
        if device_name not in file.devices:
            problems.append(source.problem(at, one_of("a device of this file", device_name, file.devices)))
        elif (other := played.setdefault(device_name, role)) != role:
            problems.append(source.problem(at, f"a device without a role yet; this one is already '{other}'"))
        if role in file.devices and role != device_name:
            wrong = f"another device is named '{role}'; topics know devices by role, so rename that device"
            problems.append(source.problem(at, wrong))
    return problems


def _account(source: Source, file: BenchFile) -> tuple[Account, list[Problem]]:
    """The account as far as its files are usable, and their problems."""
    mqtt, folder = file.mqtt, source.path.parent.absolute()
    found: dict[str, Any] = {}
    problems = []
    looks: tuple[tuple[str, str, Callable[[Path], Any]], ...] = (
        ("password_file", "password", read_secret),
        ("ca_file", "ca_file", check_authorities),
    )
    for key, name, look in looks:
        if (place := getattr(mqtt, key)) is not None:
            try:
                found[name] = look(folder / place)
            except ValueError as error:
                problems.append(source.problem(("mqtt", key), str(error)))
    return Account(user=mqtt.user, **found), problems


def _against_records(source: Source, file: BenchFile, records: Records) -> list[Problem]:
    problems = []
    for lens in records.lenses.values():
        if lens.mount not in file.mounts:
            wrong = one_of(f"a mount of {source.path}", lens.mount, file.mounts)
            problems.append(records.sources["lens", lens.id].problem(("mount",), wrong))
    taken = {**records.adapters, **records.glasses, **records.references}
    if file.base.calibration in taken:
        wrong = "a name that no adapter, glass or reference has: calibrations are kept by it"
        problems.append(source.problem(("base", "calibration"), wrong))
    return problems
