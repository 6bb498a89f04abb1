"""Procedures drawn at random, foreseen by a dry run and then carried out on a simulated bench: both must be alike.

Alike are the refusals and their words, the questions in their order, where the carriage ends, and the time it takes.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from benchd.devices import now_s
from benchd.errors import Refused
from stack import CONFIGS, Stack
from technician import Bench, Technician

if TYPE_CHECKING:
    from benchd.client import BenchClient

SETUP = {
    "lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity", "distance_mm": 5000.0,
    "trim_um": 0.0, "temperature_C": 21.0,
}  # fmt: skip
ROLES = ["carriage", "detector", "position", "target_light"]
OFF_UM, OFF_SHARE, OFF_S = 3.0, 0.2, 1.0
"""What may lie between foreseen and done: of a place, of a time, and what a run takes whatever it does."""

SHIPPED = ("bench_zero", "adapter_length", "flange_check", "glass_toggle")
"""Those that a bench whose target rides on the carriage runs, in their order from a cold bench to a verdict."""

Doc = dict[str, Any]

_offset = st.sampled_from([-300.0, -50.0, -5.0, 0.0, 12.5, 200.0])
_still: st.SearchStrategy[Doc] = st.one_of(
    st.sampled_from([{"level": 0.2}, {"level": 0.0}, {"on": False}, {"level": 0.3, "for_s": 1.0}]).map(
        lambda args: {"light": args}
    ),
    st.just({"read": {"device": "position"}}),
    st.just({"camera": {"exposure_ms": 20.0}}),
    st.sampled_from([0.0, 0.2, 0.4]).map(lambda s: {"wait": {"for_s": s}}),
)
_moving: st.SearchStrategy[Doc] = st.one_of(
    st.just({"nominal": {}}),
    _offset.map(lambda um: {"move": {"offset_um": um}}),
    _offset.map(lambda um: {"move": {"by_um": um}}),
    st.sampled_from([500.0, 9000.0, 20000.0]).map(lambda um: {"move": {"carriage_um": um}}),
    st.sampled_from([48_000.0, 52_000.0]).map(lambda um: {"move": {"depth_um": um}}),
    st.just({"home": {"only_if_unhomed": True}}),
)
_changing: st.SearchStrategy[Doc] = st.builds(
    lambda stated, follow: {"setup": {**stated, **({"follow": True} if follow else {})}},
    st.sampled_from(
        [{"trim_um": 5.0}, {"trim_um": -12.0}, {"temperature_C": 22.5}, {"glass": []}, {"ring": "hard_stop"}]
    ),
    st.booleans(),
)
_in_vain: st.SearchStrategy[Doc] = st.sampled_from(
    [
        {"move": {"carriage_um": 40_000.0}}, {"move": {"to_deg": 5.0}}, {"move": {"by_um": 35_000.0}},
        {"move": {"depth_um": 9_000.0}}, {"sweep": {"mode": "continuous"}},
        {"light": {"light": "lantern", "level": 0.1}}, {"read": {"device": "thermo"}}, {"setup": {"lens": "L-9999"}},
        {"setup": {"temperature_C": 71.0}}, {"setup": {"adapters": ["gap-03"]}}, {"home": {"axes": ["lamp"]}},
    ]
)  # fmt: skip


@st.composite
def _steps(draw: st.DrawFn, depth: int = 0, saved: tuple[str, ...] = ()) -> list[Doc]:
    found: list[Doc] = []
    for index in range(draw(st.integers(1, 5 if depth == 0 else 2))):
        kind = draw(st.sampled_from("mmmmmsssccaaaaiiiiirfvv" if depth < 2 else "mmmmsssc"))
        if kind in "msc":
            found.append(draw({"m": _moving, "s": _still, "c": _changing}[kind]))
        elif kind == "v":
            found.append(draw(_in_vain))
        elif kind == "a":
            name = f"q{depth}{len(saved)}{index}"
            saved = (*saved, name)
            found.append({"ask": {"name": name, "kind": "yes_no", "text": f"{name}?", "save": name}})
        elif kind == "r":
            found.append({"repeat": draw(st.integers(1, 3)), "steps": draw(_steps(depth + 1))})
        elif kind == "f":
            over = {"each": f"at{depth}", "in": [0.0, -20.0, 35.0]}
            found.append({"for": over, "steps": [{"move": {"offset_um": f"${{at{depth}}}"}}]})
        elif saved:
            answer = {"answer": draw(st.sampled_from(saved)), "is": True}
            found.append({"if": answer, "then": draw(_steps(depth + 1)), "else": draw(_steps(depth + 1))})
    return found or [{"nominal": {}}]


def drawn(count: int, number: int) -> list[Doc]:
    """So many procedures, none for 0; the same for the same number."""
    found: list[list[Doc]] = []
    if not count:
        return []

    @seed(number)
    @settings(
        max_examples=3 * count, database=None, phases=[Phase.generate], suppress_health_check=list(HealthCheck),
        deadline=None,
    )  # fmt: skip
    @given(_steps())
    def draw(steps: list[Doc]) -> None:
        if steps not in found:
            found.append(steps)

    draw()
    return [
        {"procedure": f"drawn-{index}", "title": "Drawn", "needs": {"roles": ROLES}, "steps": steps,
         "finally": [{"light": {"level": 0.0}}]}
        for index, steps in enumerate(found[:count])
    ]  # fmt: skip


@dataclass
class Done:
    """What became of a run."""

    state: str
    asked: list[str]
    seconds: float
    carriage_um: float
    why: list[str]


@dataclass
class Foretold:
    """What a dry run says of a run whose every question of yes or no is answered by yes.

    `asked` are the questions, and whether each comes in any case; `seconds` the least and the most. `to_um` is where
    the carriage ends, None where nobody knows before: a sweep ends where it found the focus.
    """

    asked: list[tuple[str, bool]] = field(default_factory=list)
    seconds: tuple[float, float] = (0.0, 0.0)
    to_um: float | None = None
    problem: str | None = None
    sweeps: bool = False

    @classmethod
    def of(cls, plan: Doc) -> Foretold:
        found = cls()
        for entry in plan["entries"]:
            answers = [condition for condition in entry["when"] if condition.endswith(" is true")]
            if any(condition.startswith("if not ") for condition in answers):
                continue
            sure = len(answers) == len(entry["when"])
            if found.problem is not None and entry["step"] is not None:
                continue
            if entry["problem"] is not None:
                found.problem = found.problem or (entry["problem"]["text"] if sure else None)
                continue
            if entry["ask"] is not None:
                found.asked.append((entry["ask"], sure))
            least, most = found.seconds
            found.seconds = (least + (entry["seconds"] if sure else 0.0), most + entry["seconds"])
            if entry["verb"] == "sweep":
                found.to_um, found.sweeps = None, True
            elif entry["to_um"] is not None:
                found.to_um = entry["to_um"]
        return found

    def unlike(self, done: Done, *, timed: bool) -> list[str]:
        """What was done otherwise. The time of a picture is foreseen at true pace."""
        wrong = [] if done.state == "done" else [f"ended as {done.state}: {done.why}"]
        left = list(done.asked)
        for text, sure in self.asked:
            if left and left[0].endswith(text):  # what was found stands before it
                del left[0]
            elif sure:
                wrong.append(f"not asked: {text}; but {left[:1]}")
                break
        if left and not wrong:
            wrong.append(f"not foreseen: {left[0]}")
        if self.to_um is not None and abs(done.carriage_um - self.to_um) > OFF_UM:
            wrong.append(f"ended at {done.carriage_um:.1f}, foreseen {self.to_um:.1f}")
        least, most = self.seconds
        if timed and not (1.0 - OFF_SHARE) * least - OFF_S <= done.seconds <= (1.0 + OFF_SHARE) * most + OFF_S:
            wrong.append(f"took {done.seconds:.1f} s, foreseen {least:.1f} to {most:.1f} s")
        return wrong


Obey = Callable[[Doc], Any]
"""Does what a question asks for and gives the answer."""


async def tried(
    client: BenchClient, name: str, inputs: Doc, pace: float, obey: Obey = lambda _: True, *, timed: bool = True
) -> list[str]:
    """What is other than foreseen; empty where nothing is."""
    plan = await client.command("run", procedure=name, inputs=inputs, dry=True)
    told = Foretold.of(plan)
    begun = now_s()
    try:
        run = await client.run(name, inputs)
    except Refused as refused:
        if told.problem is None or told.problem not in refused.text:
            return [f"refused: {refused.text}; foreseen was {told.problem}"]
        return []
    done = await _to_its_end(client, run, begun, obey)
    if told.problem is not None:
        alike = done.state == "failed" and any(told.problem in why for why in done.why)
        return [] if alike else [f"{done.state} ({done.why}); foreseen was {told.problem}"]
    return told.unlike(done, timed=timed and (pace == 1.0 or not told.sweeps))


async def _to_its_end(client: BenchClient, run: str, begun: float, obey: Obey) -> Done:
    events = client.events()
    asked: list[str] = []
    answered: set[str] = set()
    state: Doc = {}
    async for state in client.follow(run):
        ask = state["ask"]
        if ask is not None and ask["ask"] not in answered:
            answered.add(ask["ask"])
            asked.append(ask["text"] + (f" [{' / '.join(ask['choices'])}]" if ask["choices"] else ""))
            await client.answer(ask["ask"], obey(ask))
    seconds = now_s() - begun
    why: list[str] = []
    if state["state"] != "done":
        async with asyncio.timeout(60.0):
            async for _, event in events:
                if event["severity"] in ("warning", "error"):
                    why.append(event["text"])
                    break
    await asyncio.sleep(0.35)  # the place at rest is told five times a second
    carriage = await client.kept("device/carriage")
    return Done(state["state"], asked, seconds, carriage["carriage_um"], why)


async def _shipped(bench: Bench, client: BenchClient, pace: float, *, timed: bool) -> dict[str, list[str]]:
    """The procedures that ship, from a cold bench to a verdict."""
    person = Technician(bench, client, lambda _: None)
    person.clear()
    wall = {"distance_mm": 5000.0, "m": {"value": 0.0101, "u": 0.0001}}
    lens = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "repeats": 3, **wall}
    inputs_of: dict[str, Doc] = {
        "bench_zero": {"reference": person.reference}, "adapter_length": {"adapter": "ring-07"},
        "flange_check": lens, "glass_toggle": lens,
    }  # fmt: skip
    wrong = {}
    for name in SHIPPED:
        inputs = inputs_of[name]
        obey = partial(person.obey, name, inputs=inputs)
        found = await tried(client, name, inputs, pace, obey, timed=timed)
        if found:
            wrong[name] = found
    return wrong


def files_of(docs: Iterable[Doc]) -> dict[str, str]:
    """Procedures as files beside the bench file; JSON is YAML, and knows no anchors."""
    return {f"procedures/{doc['procedure']}.yaml": json.dumps(doc) + "\n" for doc in docs}


async def all_tried(
    bench: Bench, client: BenchClient, docs: Iterable[Doc], *, pace: float, timed: bool = True
) -> dict[str, list[str]]:
    """By name of the procedure what was other than foreseen, and the procedure itself; empty where all was alike.

    Not `timed` says nothing of how long it took, which on a machine that has other things to do is the machine's.
    """
    await client.command("take", beat=False)
    wrong = await _shipped(bench, client, pace, timed=timed)
    for doc in docs:
        await client.command("setup", set=SETUP)
        await client.do("nominal")
        found = await tried(client, doc["procedure"], {}, pace, timed=timed)
        if found:
            wrong[doc["procedure"]] = [*found, str(doc["steps"])]
    return wrong


async def foreseen(count: int, number: int, pace: float) -> dict[str, list[str]]:
    """The procedures that ship and so many drawn ones, on a bench of processes."""
    folder = Path(tempfile.mkdtemp(prefix="benchd-"))
    docs = drawn(count, number)
    try:
        shutil.copytree(CONFIGS / "workshop", folder / "workshop")
        (folder / "workshop" / "procedures").mkdir()
        for name, text in files_of(docs).items():
            (folder / "workshop" / name).write_text(text, encoding="utf-8")
        async with Stack(pace=pace, folder=folder) as stack, stack.client("rail") as client:
            return await all_tried(stack, client, docs, pace=pace)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _count(text: str) -> int:
    if (count := int(text)) < 0:
        raise ValueError("0 and more")
    return count


def main() -> int:
    """0 where all was as foreseen."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--count", type=_count, default=200, help="how many are drawn beside those that ship; 0 and more"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pace", type=float, default=5.0)
    args = parser.parse_args()
    wrong = asyncio.run(foreseen(args.count, args.seed, args.pace))
    for name, found in wrong.items():
        print(name, *found, sep="\n  ")
    tried_all = len(drawn(args.count, args.seed)) + len(SHIPPED)
    print(f"{tried_all - len(wrong)} of {tried_all} were as foreseen.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
