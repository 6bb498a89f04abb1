"""Somebody who edits records at random moments, by hand and by the verb `record`, well and badly, and mends it."""

from __future__ import annotations

import asyncio
import os
import random
from collections import Counter
from collections.abc import Awaitable, Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

from benchd.client import BenchClient
from benchd.errors import Refused
from edits_judge import SETTLED_S, Broken, Judge
from edits_shelf import KINDS, Shelf, read, same
from edits_texts import BAD, GOOD, Bad, shims

CORE = ("L-0417", "L-0418", "ring-07", "pane-25")
"""What the technician works with."""
SLOW_S = 0.8


class Disk(Protocol):
    """Of the bench's own record: `slow_s` longer than it takes, full but for so many bytes, and well again."""

    slow_s: float

    def fill(self, spare: int) -> None: ...
    def clear(self) -> None: ...


class Hand:
    """Draws every edit from `seed`."""

    def __init__(self, client: BenchClient, shelf: Shelf, judge: Judge, seed: int, disk: Disk) -> None:
        self._client, self._shelf, self._judge = client, shelf, judge
        self._chance = random.Random(seed)
        self._disk = disk
        self._mended: dict[Path, asyncio.Task[None]] = {}
        self._parts: dict[Path, asyncio.Task[None]] = {}
        self._wrong: dict[Path, tuple[float, Bad]] = {}
        """What is wrong just now, and since when."""
        self._still = asyncio.Lock()
        """Held while nobody edits, so that what has to come of it can be seen."""
        self._busy: set[Path] = set()
        self._numbers = 700
        self.edits: Counter[str] = Counter()
        self.refused: Counter[str] = Counter()
        self._ways: list[tuple[float, Callable[[], Awaitable[None]]]] = [
            (9.0, self._good), (5.0, self._bad), (6.0, self._verb), (2.0, self._bad_verb), (1.5, self._new),
            (1.0, self._removed), (1.0, self._renamed), (0.7, self._twice), (1.5, self._slow_disk),
        ]  # fmt: skip

    async def edits_of(self, count: int) -> None:
        """So many of them, several at once now and then; then all is mended, and looked at. Raises Broken."""
        chance = self._chance
        while self.edits.total() < count:
            await asyncio.sleep(0.0 if chance.random() < 0.15 else chance.expovariate(1 / 3.0))
            await chance.choices([way for _, way in self._ways], [share for share, _ in self._ways])[0]()
            self.look()
            if chance.random() < (0.3 if self._wrong else 0.1):
                await self._at_rest()
        await asyncio.gather(*self._mended.values(), *self._parts.values())
        await self._at_rest()

    def look(self) -> None:
        """Each file is whole. Raises Broken."""
        if self._judge.broken is not None:
            raise Broken(self._judge.broken)
        asked = {self._shelf.path_of(key) for _, key in self._judge.asked}
        if strange := [str(path) for path in self._shelf.strange() if path not in asked]:
            raise Broken(f"{', '.join(strange)} does not hold what was written there last")

    async def _at_rest(self) -> None:
        """Leave the files alone for a while: then what is bad has been told, and else they are in force."""
        async with self._still:
            since = self._shelf.changed_s()
            await asyncio.sleep(SETTLED_S)
            if self._shelf.changed_s() == since:
                self._judge.settled()
                for path, (since_s, bad) in self._wrong.items():
                    self._require_told(path, bad, since_s)
        self.look()

    # ---- by hand

    def _free(self, *, core: bool | None = None) -> list[Path]:
        """Files that are good and nobody is about."""
        return [
            path
            for path in self._shelf.files()
            if path.is_file() and path not in self._busy
            and path in self._shelf.versions and self._shelf.last(path).good
            and path.parent.name != "references" and core in (None, self._is_core(path))
        ]  # fmt: skip

    def _is_core(self, path: Path) -> bool:
        return self._shelf.key(path, self._shelf.last(path).doc)[1] in CORE

    async def _good(self) -> None:
        path = self._chance.choice(self._free())
        text = path.read_text(encoding="utf-8")
        what = self._chance.choice(sorted(GOOD[KINDS[path.parent.name]]))
        became = GOOD[KINDS[path.parent.name]][what](self._chance, text)
        if not self._is_core(path) and what == "given length":  # of others no lens may be within reach any more
            became = f"{text}# looked at\n"
        self.edits[f"{KINDS[path.parent.name]}: {what}"] += 1
        await self._put(path, became.encode())

    async def _put(self, path: Path, raw: bytes) -> None:
        """As editors do it: written over, put in its place whole, or in parts."""
        way = self._chance.choice(("over", "whole", "parts"))
        if way != "parts":
            self._write(path, raw, good=True, whole=way == "whole")
            return
        self._busy.add(path)
        writing = self._parts[path] = asyncio.create_task(self._in_parts(path, raw))
        writing.add_done_callback(lambda _: self._parts.pop(path, None))
        if self._chance.random() < 0.5:  # somebody else at the same record
            await asyncio.sleep(self._chance.uniform(0.0, 0.3))
            self.edits["verb: into a file that is written to"] += 1
            kind, record_id = self._shelf.key(path, read(raw))
            drawn = {"lens": self._of_lens, "adapter": self._of_adapter, "glass": self._of_glass}[kind]
            await self._asked(kind, record_id, drawn()[2])

    async def _in_parts(self, path: Path, raw: bytes) -> None:
        """Half of it reads well now and then, and says something else."""
        async with self._still:
            for share in sorted(self._chance.uniform(0.0, 1.0) for _ in range(self._chance.randrange(1, 4))):
                at = int(share * len(raw))
                at = raw.rfind(b"\n", 0, at) + 1 if self._chance.random() < 0.7 else at
                self._write(path, raw[:at], good=False)
                await asyncio.sleep(self._chance.uniform(0.0, 0.4))
            self._write(path, raw, good=True)
            self._busy.discard(path)

    def _write(self, path: Path, raw: bytes, *, good: bool, whole: bool = False) -> None:
        if whole:
            beside = path.with_name(f".{path.name}.swp")
            beside.write_bytes(raw)
            beside.replace(path)
        else:
            path.write_bytes(raw)
        now_ns = round(self._shelf.now() * 1e9)  # virtual time passes faster than a disk's clock ticks
        os.utime(path, ns=(now_ns, now_ns))
        self._shelf.wrote(path, raw, good=good)

    async def _bad(self) -> None:
        path, what = (
            self._chance.choice(self._free()),
            self._chance.choice([*sorted(BAD), "half a file", "half a file"]),
        )
        raw = path.read_bytes()
        self.edits[f"bad: {what}"] += 1
        self._break(path, BAD[what](self._chance, raw.decode()), raw)

    def _break(self, path: Path, bad: Bad, whole: bytes) -> None:
        if bad.raw in (None, b"/"):
            path.unlink()
            if bad.raw is not None:
                path.mkdir()
            self._shelf.wrote(path, None, good=False)
        else:
            assert bad.raw is not None
            self._write(path, bad.raw, good=False)
        self._is_wrong(path, bad, whole)

    def _is_wrong(self, path: Path, bad: Bad, whole: bytes | None) -> None:
        self._busy.add(path)
        self._wrong[path] = self._shelf.now(), bad
        self._mended[path] = asyncio.create_task(self._mend(path, whole))

    async def _mend(self, path: Path, whole: bytes | None) -> None:
        """Some time later, as it was."""
        await asyncio.sleep(self._chance.uniform(0.1, 12.0))
        async with self._still:
            if path.is_dir():
                path.rmdir()
            if whole is None:
                path.unlink()
                self._shelf.wrote(path, None, good=True)
            else:
                self._write(path, whole, good=True)
            self._busy.discard(path)
            del self._wrong[path]

    def _require_told(self, path: Path, bad: Bad, since_s: float) -> None:
        """With file, line and key, where it has stood so for a while; a file that is gone by what it leaves open."""
        if bad.raw is None:
            return
        told = [one for at, problems in self._judge.problems if at >= since_s for one in problems]
        mine = [one for one in told if one["file"] == str(path)]
        fits = [one for one in mine if bad.key in one["key"] and bad.line in (0, one["line"])]
        if not fits:
            raise Broken(f"{path} is wrong ({bad.key} in line {bad.line}) and that was not told: {mine}")
        self._judge.counts["bad edits told"] += 1

    async def _new(self) -> None:
        """A lens that nobody has seen before."""
        like = [path for path in self._free() if path.parent.name == "lenses"]
        if not like:
            return
        self._numbers += 1
        name = f"L-{self._numbers:04}"
        self.edits["new lens by hand"] += 1
        text = self._chance.choice(like).read_text(encoding="utf-8").partition("\n")[2]
        self._write(self._shelf.path("lens", name), f"lens: {name}\n{text}".encode(), good=True)

    async def _removed(self) -> None:
        if gone := self._free(core=False):
            path = self._chance.choice([one for one in gone if one.parent.name == "lenses"] or gone)
            if path.parent.name == "lenses":
                self.edits["lens removed"] += 1
                path.unlink()
                self._shelf.wrote(path, None, good=True)

    async def _renamed(self) -> None:
        path = self._chance.choice(self._free())
        self._numbers += 1
        other = path.with_name(f"drawer-{self._numbers}.yaml")
        self.edits["file of another name"] += 1
        path.rename(other)
        raw = other.read_bytes()
        self._shelf.wrote(path, None, good=True)
        self._shelf.wrote(other, raw, good=True)

    async def _twice(self) -> None:
        path = self._chance.choice(self._free())
        self._numbers += 1
        other = path.with_name(f"zz-copy-{self._numbers}.yaml")
        self.edits["bad: two files of one id"] += 1
        self._write(other, path.read_bytes(), good=False)
        self._is_wrong(other, Bad(b"", KINDS[path.parent.name]), None)

    # ---- by the verb

    async def _verb(self) -> None:
        kind, record_id, values = self._chance.choice(
            (self._of_lens, self._of_lens, self._of_adapter, self._of_glass)
        )()
        self.edits[f"verb: {kind}, {next(iter(values))}"] += 1
        await self._asked(kind, record_id, values)

    def _of_lens(self) -> tuple[str, str, dict[str, Any]]:
        chance = self._chance
        values: dict[str, Any] = chance.choice((
            {"tolerance": {"flange_um": chance.randrange(5, 40)}},
            {"shims_fitted_um": shims(chance)},
            {"focal_length_mm": {"value": round(chance.uniform(49.3, 49.9), 3), "u": 0.2}},
            {"f_number": round(chance.uniform(2.0, 2.3), 2), "set": f"set-{chance.randrange(10**6)}"},
            {"owner": None},
            {"model": "Tarnbeck 50", "serial": f"{chance.randrange(10**4):04}"},
        ))  # fmt: skip
        record_id = chance.choice([key[1] for key in self._judge.in_force if key[0] == "lens"])
        return "lens", record_id, values

    def _of_adapter(self) -> tuple[str, str, dict[str, Any]]:
        given = self._judge.in_force["adapter", "ring-07"]["given"]
        return "adapter", "ring-07", {"given": given | {"length_um": round(self._chance.uniform(17980.0, 18030.0), 1)}}

    def _of_glass(self) -> tuple[str, str, dict[str, Any]]:
        (layer,) = self._judge.in_force["glass", "pane-25"]["layers"]
        return "glass", "pane-25", {"layers": [layer | {"thickness_mm": round(self._chance.uniform(2.45, 2.55), 3)}]}

    async def _bad_verb(self) -> None:
        new = f"L-{900 + self._numbers}"
        bad: tuple[tuple[str, dict[str, Any]], ...] = (
            ("L-0417", {"f_number": -1.0}), ("L-0417", {"weight": 3}), ("L-0417", {"lens": "L-0501"}),
            (new, {"mount": "m50"}), ("l-0417", {"mount": "m50"}), ("L-0418", {"mount": "m42"}),
            ("L-0417", {"focal_length_mm": {"value": 2400.0, "u": 20.0}, "mount": "m42"}),
        )  # fmt: skip
        record_id, values = self._chance.choice(bad)
        self.edits["bad verb"] += 1
        if await self._asked("lens", record_id, values):
            raise Broken(f"{values} was written into {record_id}")

    async def _slow_disk(self) -> None:
        """The verb while the record's disk is slow, or full; what is refused then must not come into force later."""
        self.edits["verb on a slow or full disk"] += 1
        kind, record_id, values = self._chance.choice((self._of_lens, self._of_adapter, self._of_glass))()
        full = self._chance.random() < 0.4
        if full:
            self._disk.fill(0)
        else:
            self._disk.slow_s = SLOW_S
        try:
            await self._asked(kind, record_id, values)
        finally:
            self._disk.clear()

    async def _asked(self, kind: str, record_id: str, values: Mapping[str, Any]) -> bool:
        """Whether it was done; the file then says so and nothing else, comments and all. Raises Broken."""
        key = (kind, record_id)
        path = self._shelf.path_of(key)
        self._judge.asked["editor", key] = values
        before = self._shelf.versions.get(path, [])[-1:]
        try:
            told = await self._client.command("record", beat=False, kind=kind, id=record_id, set=dict(values))
        except Refused as refused:
            self.refused[refused.code] += 1
            done = False
        else:
            done = True
        finally:
            del self._judge.asked["editor", key]
        if done:
            path = self._shelf.folder / told["file"]
            if wrong := self._shelf.accept(path, values):
                raise Broken(wrong)
            doc = self._shelf.last(path).doc
            if any(not same(doc.get(name), value) for name, value in told["record"].items()):
                raise Broken(f"{path} says {doc}, and told was {told['record']}")
        elif (
            before
            and path.is_file()
            and before == self._shelf.versions[path][-1:]
            and path.read_bytes() != before[0].raw
        ):
            raise Broken(f"{values} was refused for {record_id}, and {path} is another now")
        return done
