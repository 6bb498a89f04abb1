"""The power is cut at each point of a write into a record: it is there as it was or as it shall be, never a part."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from benchd.files.last_good import keep_good
from benchd.files.loading import load_bench, records_with
from benchd.files.record_text import text_of, with_values
from benchd.files.records_folder import FOLDERS, Kind
from benchd.files.whole_file import write_whole
from tests.files.power import Where, killed, left_by, watched

pytestmark = pytest.mark.filterwarnings("ignore:This process:DeprecationWarning")
"""Of forking beside threads, which later Pythons tell: the child waits for none of them."""

WORKSHOP = Path(__file__).parents[2] / "configs" / "workshop"
NEW = {
    "mount": "m50", "focal_length_mm": {"value": 75.0, "u": 0.5}, "f_number": 2.0, "rear_protrusion_mm": 8.0,
}  # fmt: skip
FLAT = {"kind": "flat"}
WHERE: tuple[Where, ...] = ("before", "amid", "behind")


def by_hand(bench: Path) -> None:
    """Somebody has just edited the lens, and daemon and disk have not caught up with it."""
    path = bench / "lenses" / "L-0417.yaml"
    text = path.read_text(encoding="utf-8").replace("owner: house", "owner: somebody  # lent out\n# back on Monday")
    path.write_text(text, encoding="utf-8")


def first_of_its_kind(bench: Path) -> None:
    """There is no folder for references yet."""
    shutil.rmtree(bench / "references")


class Write(NamedTuple):
    kind: Kind
    record_id: str
    values: Mapping[str, Any]
    first: Callable[[Path], None] = lambda _: None


WRITES = {
    "a new lens": Write("lens", "L-0500", NEW),
    "one with comments": Write("lens", "L-0417", {"shims_fitted_um": [50, 10], "t_number": None}),
    "one edited by hand a moment ago": Write("lens", "L-0417", {"shims_fitted_um": [50, 10]}, by_hand),
    "an adapter": Write("adapter", "ring-07", {"turns": True}),
    "the first of its kind": Write("reference", "flat-1", FLAT, first_of_its_kind),
}


class Laid(NamedTuple):
    """A bench's folder, the write into it as the daemon does it, its file, and its text before and after."""

    bench: Path
    write: Callable[[], None]
    file: Path
    old: bytes | None
    new: bytes


def laid(folder: Path, write: Write) -> Laid:
    bench = folder / "bench"
    shutil.copytree(WORKSHOP, bench)
    loaded = load_bench(bench / "bench.yaml")
    write.first(bench)
    path, there = text_of(bench, loaded.records, write.kind, write.record_id)
    text = with_values(there, write.kind, write.record_id, write.values)
    records_with(loaded, path, text)
    old = path.read_bytes() if path.exists() else None
    assert text.encode() != old
    return Laid(bench, lambda: write_whole(path, text.encode()), path, old, text.encode())


def held_by(bench: Path) -> dict[Path, bytes]:
    """All records, leftovers beside them among it."""
    return {path: path.read_bytes() for name in FOLDERS.values() for path in (bench / name).glob("*")}


def require_whole(laid: Laid, others: Mapping[Path, bytes]) -> None:
    """The folder loads; the file is as it was or as it shall be, and no other record has changed."""
    load_bench(laid.bench / "bench.yaml")
    now = laid.file.read_bytes() if laid.file.exists() else None
    assert now in (laid.old, laid.new)
    read = {path: raw for path, raw in held_by(laid.bench).items() if path.suffix == ".yaml" and path != laid.file}
    assert read == others


@pytest.fixture(params=WRITES, ids=lambda name: name.replace(" ", "-"))
def write(request: pytest.FixtureRequest) -> Write:
    return WRITES[request.param]


def test_cut_at_each_call(tmp_path: Path, write: Write) -> None:
    """And whatever was left lying about, the next write goes through and leaves nothing behind."""
    calls = watched(laid(tmp_path / "uncut", write).write, None).calls
    assert {"open", "write", "fsync", "replace"} <= {call.name for call in calls}
    found = set()
    for number, call in enumerate(calls):
        for where in WHERE:
            case = laid(tmp_path / f"{number} {where} {call.name}", write)
            others = {path: raw for path, raw in held_by(case.bench).items() if path != case.file}
            assert killed(case.write, (number, where))
            require_whole(case, others)
            found.add(case.file.read_bytes() if case.file.exists() else None)
            case.write()
            assert held_by(case.bench) == others | {case.file: case.new}
    assert found == {case.old, case.new}, "a cut comes before the file has changed, and behind it"


def test_what_a_disk_may_lose(tmp_path: Path, write: Write) -> None:
    """Once the write is done nothing of it can be lost: neither the text nor the name, nor a folder that it made."""
    case = laid(tmp_path, write)
    before = held_by(case.bench)
    others = {path: raw for path, raw in before.items() if path != case.file}
    calls = watched(case.write, None).calls
    for count in range(len(calls) + 1):
        for left in left_by(before, calls[:count]):
            lay(case.bench, left)
            require_whole(case, others)
            if count == len(calls):
                assert left == others | {case.file: case.new}, "it was told as done"


def lay(bench: Path, left: Mapping[Path, bytes]) -> None:
    for name in FOLDERS.values():
        shutil.rmtree(bench / name, ignore_errors=True)
    for path, raw in left.items():
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(raw)


def test_the_model_tells_what_was_not_synced(tmp_path: Path) -> None:
    """Else the test above could not fail."""
    path, new = tmp_path / "lens.yaml", tmp_path / "lens.yaml.new"
    path.write_bytes(b"old\n")

    def careless() -> None:
        with new.open("wb") as file:
            file.write(b"new text\n")
        new.replace(path)

    def names_only() -> None:
        with new.open("wb") as file:
            file.write(b"new text\n")
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)

    def left(work: Callable[[], None]) -> Iterator[bytes]:
        path.write_bytes(b"old\n")
        for one in left_by({path: b"old\n"}, watched(work, None).calls):
            yield one[path]

    assert set(left(careless)) == {b"old\n", b"", b"new ", b"new text\n"}
    assert set(left(names_only)) == {b"old\n", b"new text\n"}
    assert set(left(lambda: write_whole(path, b"new text\n"))) == {b"new text\n"}


def test_copies_of_what_loaded_well_are_whole(tmp_path: Path) -> None:
    bench, kept = tmp_path / "bench", tmp_path / "kept"
    shutil.copytree(WORKSHOP, bench)
    loaded = load_bench(bench / "bench.yaml")
    calls = watched(lambda: keep_good(loaded, kept), None).calls
    whole = {path: path.read_bytes() for path in kept.rglob("*.yaml")}
    for number in range(0, len(calls), 5):
        shutil.rmtree(kept)
        assert killed(lambda: keep_good(loaded, kept), (number, "amid"))
        assert all(path.read_bytes() == whole[path] for path in kept.rglob("*.yaml"))
        keep_good(loaded, kept)
        assert {path: path.read_bytes() for path in kept.rglob("*") if path.is_file()} == whole


def test_a_write_that_fails_leaves_nothing_lying_about(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a disk that is full what is left would take the room that the next write needs."""
    path = tmp_path / "lens.yaml"
    path.write_bytes(b"old\n")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(path, b"new\n")
    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == {"lens.yaml": b"old\n"}
