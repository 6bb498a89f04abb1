"""What is new in a folder since a moment: whole pictures that began to appear no earlier than they may.

Whether a file is new goes by what stood there at the moment and by monotonic time, so that a clock which is set does
not matter; only a file that is older by its own time than the moment is passed over: it was moved here.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from benchd_drivers.picture_tail import whole

SUFFIXES = frozenset({".png", ".jpg", ".jpeg", ".tif", ".tiff"})
STAMP_S = 2.0
"""File systems of memory cards keep times in steps of two seconds."""

Entry = tuple[str, int]
"""A file by its name and number: one that is put in the place of another has another number."""


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant by the monotonic and by the wall clock (s)."""

    mono_s: float
    wall_s: float


@dataclass(frozen=True, slots=True)
class Rules:
    """How late a file begins to appear after the shutter (s), its largest size, and whether files' times are of this
    computer's clock."""

    lag_s: float
    largest: int
    same_clock: bool


@dataclass(slots=True)
class Seen:
    """What one waiting call has seen: at its beginning, and of what appeared since then. The last five are for telling
    why no picture came."""

    at_call: frozenset[Entry]
    called: Moment
    looked_s: float
    appeared_s: dict[Entry, float] = field(default_factory=dict)
    states: dict[Entry, tuple[int, int]] = field(default_factory=dict)
    early: set[str] = field(default_factory=set)
    old: set[str] = field(default_factory=set)
    broken: set[str] = field(default_factory=set)
    too_large: set[str] = field(default_factory=set)
    others: set[str] = field(default_factory=set)


def begin(folder: Path, now: Moment) -> Seen:
    """What stands there now. Raises OSError."""
    return Seen(frozenset(_there(folder)), now, now.mono_s)


def look(folder: Path, seen: Seen, now: Moment, rules: Rules) -> tuple[bytes, float] | None:
    """The first picture that is new, whole, and began to appear no sooner than `lag_s` after the call, with the time
    (monotonic) since when it has been there at the most; None where there is none yet. Raises OSError."""
    last_s, seen.looked_s = seen.looked_s, now.mono_s
    found: list[tuple[float, str, bytes]] = []
    for entry in sorted(set(_there(folder)) - seen.at_call):
        name = entry[0]
        appeared_s = seen.appeared_s.setdefault(entry, last_s)  # then it was not there yet
        if Path(name).suffix.lower() not in SUFFIXES:
            seen.others.add(name)
        elif appeared_s < seen.called.mono_s + rules.lag_s:
            seen.early.add(name)
        elif (body := _body(folder / name, entry, seen, now, rules)) is not None:
            found.append((appeared_s, name, body))
    if not found:
        return None
    appeared_s, _, body = min(found)
    return body, appeared_s


def _there(folder: Path) -> list[Entry]:
    """Hidden files are those of programs."""
    with os.scandir(folder) as entries:
        return [(entry.name, entry.inode()) for entry in entries if not entry.name.startswith(".")]


def _body(path: Path, entry: Entry, seen: Seen, now: Moment, rules: Rules) -> bytes | None:
    """The file's bytes if it stands as at the last look, and is whole; it may go at any moment."""
    try:
        state = _state(path)
        if state[0] > rules.largest:
            seen.too_large.add(path.name)
        elif rules.same_clock and state[1] / 1e9 < _earliest_wall_s(seen.called, now) - STAMP_S:
            seen.old.add(path.name)
        elif seen.states.get(entry) != state:  # still being written, perhaps
            seen.states[entry] = state
        else:
            body = path.read_bytes()
            if whole(body) and _state(path) == state and len(body) == state[0]:
                return body
            seen.broken.add(path.name)
    except FileNotFoundError:
        pass
    return None


def _state(path: Path) -> tuple[int, int]:
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns


def _earliest_wall_s(called: Moment, now: Moment) -> float:
    """The wall clock's time of the call, by that clock as it was then and as it is now: it may have been set."""
    return min(called.wall_s, now.wall_s - (now.mono_s - called.mono_s))
