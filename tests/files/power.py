"""A disk whose power is cut: at each system call of a write for real, and what it may then have lost by a small model.

The calls are counted where Python asks the kernel: in the process that writes, files are those of `_pyio`, which go by
`os` alone. `Cut` ends it before a call, in the middle of one that writes, or behind it. `Journal` is what an uncut
write asked for, and `left_by` is every disk that a cut behind so many of its calls may leave: what a file holds is sure
once it was synced, and what a folder lists once the folder was (POSIX.1-2024: fsync, rename).
"""

from __future__ import annotations

import _pyio
import io
import itertools
import os
import signal
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

CALLS = (
    *("open", "write", "ftruncate", "fsync", "replace", "rename", "link", "unlink", "remove"),
    *("mkdir", "rmdir", "fchmod", "fchown"),
)
Where = Literal["before", "amid", "behind"]


@dataclass(frozen=True, slots=True)
class Call:
    """One call: its name, the file it is about and, of a rename or link, the other one; what it writes."""

    name: str
    path: Path
    to: Path | None = None
    data: bytes = b""


@dataclass
class Journal:
    """The calls that were made, in their order; inside `watched` it is told of each, before it is made."""

    calls: list[Call] = field(default_factory=list)
    paths: dict[int, Path] = field(default_factory=dict)

    def about(self, name: str, args: Sequence[Any]) -> Call:
        if name in ("replace", "rename", "link"):
            return Call(name, Path(args[0]), Path(args[1]))
        path = self.paths[args[0]] if isinstance(args[0], int) else Path(args[0])
        return Call(name, path, data=bytes(args[1]) if name == "write" else b"")


def watched(work: Callable[[], None], cut: tuple[int, Where] | None) -> Journal:
    """Do it, and tell what it asked for; with a `cut` this process is killed at that call, and nothing comes back."""
    journal, real = Journal(), {name: getattr(os, name) for name in CALLS}

    def asks(name: str) -> Callable[..., Any]:
        def call(*args: Any, **more: Any) -> Any:
            if name == "open" and args[1] & (os.O_ACCMODE | os.O_DIRECTORY) == os.O_RDONLY and Path(args[0]).is_file():
                return real["open"](*args, **more)  # what is only read
            number = len(journal.calls)
            journal.calls.append(journal.about(name, args))
            if cut == (number, "before"):
                os.kill(os.getpid(), signal.SIGKILL)
            if cut == (number, "amid") and name == "write":
                real["write"](args[0], args[1][: len(args[1]) // 2])
            if cut == (number, "amid"):
                os.kill(os.getpid(), signal.SIGKILL)
            try:
                answer = real[name](*args, **more)
            except OSError:
                journal.calls.pop()  # nothing came of it
                raise
            if name == "open":
                journal.paths[answer] = Path(args[0])
            if cut == (number, "behind"):
                os.kill(os.getpid(), signal.SIGKILL)
            return answer

        return call

    opened = io.open
    io.open = _pyio.open
    for name in CALLS:
        setattr(os, name, asks(name))
    try:
        work()
    finally:
        io.open = opened
        for name, own in real.items():
            setattr(os, name, own)
    return journal


def killed(work: Callable[[], None], cut: tuple[int, Where]) -> bool:
    """Have a process of its own do it, and kill it at that call; whether it came so far."""
    child = os.fork()
    if child == 0:
        try:
            watched(work, cut)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL


# ---- what may be lost


@dataclass
class _File:
    """What was written, and how much of what it holds is sure (None: nothing yet, and it may be empty)."""

    data: bytes
    sure: bytes | None


@dataclass(frozen=True, slots=True)
class _Change:
    """A name that a folder lists (a file, or None for one that is taken away) until it is synced perhaps not yet."""

    folder: Path
    names: tuple[tuple[Path, _File | None], ...]


Left = Mapping[Path, bytes]
"""A disk: each file with what it holds."""


def left_by(before: Mapping[Path, bytes], calls: Sequence[Call]) -> Iterator[Left]:  # noqa: PLR0912 a line a call
    """Every disk that a cut behind these calls may leave: of the changes of folders that are not synced any may be
    lost, and what was written into a file and not synced may be there, in part, or not at all."""
    names = {path: _File(data, data) for path, data in before.items()}
    sure, folders = dict(names), {path.parent for path in before}
    open_changes: list[_Change] = []
    made: list[_Change] = []
    for call in calls:
        match call.name:
            case "open" if call.path not in names and not call.path.is_dir() and call.path not in folders:
                names[call.path] = file = _File(b"", None)
                open_changes.append(_Change(call.path.parent, ((call.path, file),)))
            case "open" if call.path in names:  # `wb` alone opens what is there
                names[call.path].data, names[call.path].sure = b"", None
            case "write":
                names[call.path].data += call.data
            case "fsync" if call.path in names:
                names[call.path].sure = names[call.path].data
            case "fsync":
                for change in [one for one in open_changes if one.folder == call.path]:
                    _apply(sure, change)
                    open_changes.remove(change)
                made = [one for one in made if one.folder != call.path]
            case "replace" | "rename":
                assert call.to is not None
                file = names.pop(call.path)
                names[call.to] = file
                open_changes.append(_Change(call.to.parent, ((call.path, None), (call.to, file))))
            case "unlink" | "remove":
                del names[call.path]
                open_changes.append(_Change(call.path.parent, ((call.path, None),)))
            case "mkdir":
                folders.add(call.path)
                made.append(_Change(call.path.parent, ((call.path, None),)))
            case "open" | "fchmod" | "fchown":  # a folder is opened to be synced
                pass
            case other:
                raise AssertionError(f"the model knows no {other}")
    for count in range(len(open_changes) + 1):
        for kept in itertools.combinations(open_changes, count):
            for lost in ([], *([one.names[0][0]] for one in made)):
                listed = dict(sure)
                for change in kept:
                    _apply(listed, change)
                yield from _held({path: file for path, file in listed.items() if not _inside(path, lost)})


def _apply(listed: dict[Path, _File], change: _Change) -> None:
    for path, file in change.names:
        if file is None:
            listed.pop(path, None)
        else:
            listed[path] = file


def _inside(path: Path, folders: Sequence[Path]) -> bool:
    return any(folder in path.parents for folder in folders)


def _held(listed: Mapping[Path, _File]) -> Iterator[Left]:
    """What those files may hold."""
    choices = []
    for path, file in listed.items():
        data = file.data
        may = [data] if file.sure == data else [file.sure or b"", data[: len(data) // 2], data]
        choices.append([(path, one) for one in dict.fromkeys(may)])
    for one in itertools.product(*choices):
        yield dict(one)
