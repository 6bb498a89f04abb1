"""What was written into the files of the records, by whom and when: the editor's own journal, and its own reading."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

FOLDERS = {"adapter": "adapters", "glass": "glasses", "reference": "references", "lens": "lenses"}
KINDS = {folder: kind for kind, folder in FOLDERS.items()}
Doc = Mapping[str, Any]
Key = tuple[str, str]
"""A record: its kind and its id."""


@dataclass
class Version:
    """What a file held from `since_s` to `until_s`; None where there was no file. Only a `good` one may be in force."""

    raw: bytes | None
    since_s: float
    good: bool
    until_s: float = float("inf")
    doc: Doc = field(default_factory=dict)


def read(raw: bytes | None) -> Doc:
    """A record as it reads, without keys that are null; empty for what does not read."""
    try:
        found = YAML(typ="safe", pure=True).load((raw or b"").decode("utf-8"))
    except (YAMLError, UnicodeDecodeError):
        return {}
    return {key: value for key, value in found.items() if value is not None} if isinstance(found, dict) else {}


class Shelf:
    """The folders of a bench with every version of every file."""

    def __init__(self, folder: Path, now: Callable[[], float]) -> None:
        self.folder, self.now = folder, now
        self.versions: dict[Path, list[Version]] = {}
        for path in self.files():
            self.wrote(path, path.read_bytes(), good=True)

    def files(self) -> list[Path]:
        """Of every record that is there now, and whatever else has the name of one."""
        return sorted(path for name in KINDS for path in (self.folder / name).glob("*.yaml"))

    def path(self, kind: str, record_id: str) -> Path:
        return self.folder / FOLDERS[kind] / f"{record_id}.yaml"

    def wrote(self, path: Path, raw: bytes | None, *, good: bool) -> None:
        """It holds this from now on."""
        versions = self.versions.setdefault(path, [])
        if versions:
            versions[-1].until_s = self.now()
        versions.append(Version(raw, self.now(), good, doc=read(raw) if good else {}))

    def last(self, path: Path) -> Version:
        return self.versions[path][-1]

    def key(self, path: Path, doc: Doc) -> Key:
        kind = KINDS[path.parent.name]
        return kind, str(doc.get(kind))

    def state(self) -> dict[Key, Doc]:
        """What the files say now, all of them being good."""
        last = {path: versions[-1] for path, versions in self.versions.items() if versions[-1].raw is not None}
        return {self.key(path, one.doc): one.doc for path, one in last.items()}

    def bad(self) -> list[Path]:
        """Files that cannot be in force as they are."""
        return sorted(path for path, versions in self.versions.items() if not versions[-1].good)

    def of(self, key: Key, since_s: float) -> list[Version]:
        """Good versions of a record that stood at or after then, newest first."""
        found = [
            version
            for path, versions in self.versions.items()
            for version in versions
            if version.good and version.doc and version.until_s >= since_s and self.key(path, version.doc) == key
        ]
        return sorted(found, key=lambda version: -version.since_s)

    def changed_s(self) -> float:
        """When anything was written last."""
        return max(versions[-1].since_s for versions in self.versions.values())

    def path_of(self, key: Key) -> Path:
        """The file of a record, whatever its name; where it would be, if there is none."""
        for path in self.files():
            good = [one for one in self.versions.get(path, ()) if one.good and one.raw is not None]
            if good and self.key(path, good[-1].doc) == key:
                return path
        return self.path(*key)

    def accept(self, path: Path, values: Doc) -> str | None:
        """The daemon has set these values in it: why the file is not as it has to be, None where it is."""
        last, raw = self.last(path), path.read_bytes()
        doc = read(raw)
        expected = {name: value for name, value in {**last.doc, **values}.items() if value is not None}
        if any(not same(doc.get(name), expected.get(name)) for name in {*doc, *expected}):
            return f"{path} says {doc}, and with {values} it had to say {expected}"
        if lost := [line for line in comments(last.raw or b"") if line not in raw]:
            return f"{path} has lost what was said there: {lost}"
        if raw != last.raw:
            self.wrote(path, raw, good=True)
        return None

    def strange(self) -> list[Path]:
        """Files that do not hold what was written into them last."""
        wrong = []
        for path in sorted({*self.files(), *self.versions}):
            versions = self.versions.get(path)
            held = path.read_bytes() if path.is_file() else None
            if versions is None or (held != versions[-1].raw and not (path.is_dir() and not versions[-1].good)):
                wrong.append(path)
        return wrong


def comments(raw: bytes) -> list[bytes]:
    """Lines that are nothing but a comment: those stay wherever values change."""
    return [line for line in raw.splitlines() if line.startswith(b"#")]


def same(own: Any, told: Any) -> bool:
    """Whether a value as it stands in a file is the one that is told, in which what was left out has its default."""
    if own is None:
        return told in (None, "", [], False, 1.0, "prime")
    if isinstance(own, Mapping) and isinstance(told, Mapping):
        return all(same(own.get(key), told.get(key)) or (key == "at_C" and key not in own) for key in {*own, *told})
    if isinstance(own, list) and isinstance(told, list):
        return len(own) == len(told) and all(same(one, other) for one, other in zip(own, told, strict=True))
    if isinstance(own, int | float) and isinstance(told, int | float):
        return float(own) == float(told)
    return bool(own == told)
