"""A person at the simulated bench: does what a procedure's questions ask, and answers them over MQTT."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Mapping
from typing import Any, Protocol

from benchd.cli.lines import name_of, plain
from benchd.client import BenchClient, Watch

Say = Callable[[str], None]


class Bench(Protocol):
    """What a person lays hands on; in processes it is a `Stack`."""

    def hand(self, do: str, what: str, value: Any = None) -> dict[str, Any]: ...
    def ask_world(self, message: Mapping[str, Any]) -> dict[str, Any]: ...


class RunEnded(RuntimeError):
    """A run did not come to its end."""


class Technician:
    """Runs procedures and obeys their questions; `said` is told everything that is asked, done and answered."""

    def __init__(
        self, bench: Bench, client: BenchClient, said: Say, *, accept: bool = True, more: bool = False
    ) -> None:
        self._bench = bench
        self._client = client
        self._said = said
        self._accept = accept
        self._more = more
        self.reference = "collar-45"
        self.near_mm, self.far_mm = 3000.0, 5000.0
        self.settings_mm: list[float] = []
        self.adapters: list[str] = []
        self.glass: list[str] = []
        self.lens: str | None = None
        self._seat, self._lets_down = "away", False
        self._open_stop = 1.0

    def clear(self) -> None:
        """Take everything off the bench, whatever stands there."""
        standing = self._bench.ask_world({"do": "look"})
        for what, ids in (
            ("lens", [standing["lens"]]),
            ("glass", standing["glass"]),
            ("adapter", standing["adapters"]),
        ):
            for one in reversed([one for one in ids if one]):
                self._do("remove", what, one)

    def fit(self, adapters: list[str], glass: list[str], lens: str | None) -> None:
        """Bring the bench to this state: adapters from the base upwards, then plates, then the lens."""
        standing = self._bench.ask_world({"do": "look"})
        if (standing["adapters"], standing["glass"], standing["lens"]) == (adapters, glass, lens):
            return
        self.clear()
        for one in adapters:
            self._do("fit", "adapter", one)
        for one in glass:
            self._do("fit", "glass", one)
        if lens:
            self._do("fit", "lens", lens)

    def seat(self, lens: str) -> None:
        """This lens, and no other, on what stands, its ring at infinity where no motor holds it; one that stands there
        is left alone."""
        if self._bench.ask_world({"do": "look"})["lens"] == lens:
            return
        self.take_lens_off()
        self._do("fit", "lens", lens)
        if "turned_deg" not in self._bench.ask_world({"do": "look"})["ring"]:
            self._do("set", "ring", "infinity")

    def _reseat(self, lens: str) -> None:
        """Whatever lens stands there is taken off, and this one is seated."""
        self.take_lens_off()
        self.seat(lens)

    def take_lens_off(self) -> None:
        """The lens away, whatever else stands."""
        standing = self._bench.ask_world({"do": "look"})["lens"]
        if standing:
            self._do("remove", "lens", standing)

    def lock_tube(self, reads_mm: float) -> float:
        """The collimator's tube locked near this reading; what its scale says then."""
        self._do("set", "tube_mm", round(reads_mm, 3))
        return float(self.measure("tube")["tube_mm"])

    def put_shim(self, size_um: float) -> None:
        """A shim of that size under the lens on the bench."""
        self._do("fit", "shim", size_um)

    def take_shim(self, size_um: float) -> None:
        """One of that size away."""
        self._do("remove", "shim", size_um)

    def measure(self, what: str) -> dict[str, Any]:
        """Tape or thermometer."""
        found = self._bench.hand("measure", what)
        said = ", ".join(f"{name_of(key)} {plain(value, key)}" for key, value in found.items() if key != "ok")
        self._said(f"hand: measures by {what}: {said}")
        return found

    async def calibrate(self, adapters: list[str], *, fixed: str | None = None) -> None:
        """Find absolute zero and the adapters' lengths, all of it accepted. A temperature is typed where none is told.

        `fixed` is the setting ring of a bench whose sensor stands fixed: no adapter brings that within a gauge's reach.
        """
        self.clear()
        if "temperature" not in (await self._client.kept("about"))["roles"]:
            warmth = self.measure("thermometer")
            await self._client.command("setup", set={"temperature_C": warmth["temperature_C"]})
        if fixed is not None:
            await self.run("fixed_zero", reference=fixed)
            return
        await self.run("bench_zero", reference=self.reference)
        for adapter in adapters:
            await self.run("adapter_length", adapter=adapter)

    async def check(
        self, lens: str, adapters: list[str], glass: list[str], *, wall: bool = True, repeats: int = 3
    ) -> dict[str, Any]:
        """Fit and check a lens, the wall measured by tape; gives the finding."""
        self.fit(adapters, glass, lens)
        tape = self.measure("tape") if wall else {}
        given = {key: value for key, value in tape.items() if key != "ok"}
        state = await self.run("flange_check", lens=lens, adapters=adapters, glass=glass, repeats=repeats, **given)
        return await self.finding("flange", str(state["run"]))

    async def finding(self, assessment: str, run: str, *, within_s: float = 120.0) -> dict[str, Any]:
        """The finding of a run, which may be told a moment after the run's end. Raises RunEnded where it is not."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                async for _, document in self._client.watch(f"finding/{assessment}"):
                    if document is not None and document["run"] == run:
                        return dict(document)
        raise RunEnded(f"No finding {assessment} of run {run} was told within {within_s:g} s of its end.")

    async def run(self, procedure: str, **inputs: Any) -> dict[str, Any]:
        """Run a procedure to its end, obeying its questions; gives the last state."""
        events = self._client.events()
        run = await self._client.run(procedure, inputs)
        self._said(f"{procedure}: run {run}")
        answered: set[str] = set()
        state: dict[str, Any] = {}
        async for state in self._client.follow(run):
            ask = state["ask"]
            if ask is not None and ask["ask"] not in answered:
                answered.add(ask["ask"])
                self._said(f"asked: {ask['text']}")
                value = self.obey(procedure, ask, inputs)
                self._said(f"answered: {'yes' if value is True else value}")
                await self._client.answer(ask["ask"], value)
        if state["state"] != "done":
            raise RunEnded(f"{procedure} ended as '{state['state']}'.{await why(events)}")
        return state

    def obey(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> Any:
        """Do what a question asks for, by its stable name, and give the answer."""
        place = {
            "bridge_on_ring": inputs.get("reference"),
            "let_down_on_ring": inputs.get("reference"),
            "let_down_on_base": "base",
            "let_down_on_seat": "adapter",
            "bridge_on_base": "base",
            "bridge_on_adapter": "adapter",
            "bridge_off": "away",
            "bridge_on_seat": "adapter" if inputs.get("adapters") else "base",
            "seat_again": self._seat,
        }
        match ask["name"]:
            case name if name in place:
                self._set_bridge(name, str(place[name]))
            case "clear":
                self._do("set", "indicator", "away")
                self.clear()
            case "flat_on" | "tube_set" | "tube_locked" | "flat_off":
                return self._at_collimator(ask["name"], inputs)
            case "near_wall" | "far_wall":
                return self._wall_at(self.near_mm if ask["name"] == "near_wall" else self.far_mm, inputs)
            case "seat_clear" | "adapter_off":
                self._do("set", "indicator", "away")
                self.fit(list(inputs.get("adapters", [])) if ask["name"] == "seat_clear" else [], [], None)
            case "adapter_on":
                self.fit([str(inputs["adapter"])], [], None)
            case "reseat":
                self._do("set", "indicator", "away")
                self.fit([], [], None)
                self.fit([str(inputs["adapter"])], [], None)
            case "seat_anew":
                self._reseat(str(self._bench.ask_world({"do": "look"})["lens"]))
            case "seated" | "shimmed" | "reseated":
                self._seat_as_stated(procedure, ask, inputs)
            case "iris_open":
                self._do("set", "iris", self._open_stop)
            case "glass_in" | "glass_out":
                for one in inputs["glass"]:
                    self._do("fit" if ask["name"] == "glass_in" else "remove", "glass", one)
        decided = {"accept": self._accept, "more": "5 more" if self._more else "leave"}
        return decided.get(ask["name"], True)

    def _set_bridge(self, asked: str, place: str) -> None:
        """The bridge set down anew, its tip as that was asked for; again is as it was asked for first."""
        self._seat = place
        if asked != "seat_again":
            self._lets_down = asked.startswith("let_down")
        self._do("set", "indicator", place)
        if self._lets_down:
            self._do("set", "tip", "let down")

    def _wall_at(self, distance_mm: float, inputs: dict[str, Any]) -> float:
        """The bench moved to this distance, by tape; the lens is seated, as what the tape says goes with it."""
        self.seat(str(inputs["lens"]))
        self._do("set", "wall_mm", distance_mm)
        return float(self.measure("tape")["distance_mm"])

    def _at_collimator(self, asked: str, inputs: dict[str, Any]) -> Any:
        """Its tube set by the flat before it, and locked in the middle of the settings; gives what its scale reads."""
        match asked:
            case "flat_on":
                self.take_lens_off()
                self.settings_mm = []
                self._do("set", "flat", inputs["reference"])
            case "tube_set":
                self.settings_mm.append(float(self.measure("autocollimation")["tube_mm"]))
                return self.settings_mm[-1]
            case "tube_locked":
                return self.lock_tube(sum(self.settings_mm) / len(self.settings_mm))
            case "flat_off":
                self._do("set", "flat", "away")
        return True

    def _seat_as_stated(self, procedure: str, ask: dict[str, Any], inputs: dict[str, Any]) -> None:
        """The lens alone, where the rest stands as it is; else all of it."""
        if "lenses" in inputs:
            self._reseat(next(lens for lens in inputs["lenses"] if f"({lens})" in ask["text"]))
        elif procedure not in ("next_lens", "shim_proof", "two_walls", "check_lens"):
            toggled = procedure == "glass_toggle"  # the plate comes later, and is asked for then
            glass = [] if toggled else list(inputs.get("glass", []))
            self.fit(list(inputs["adapters"]), glass, inputs["lens"])
            if "ring at" in ask["text"]:
                self._do("set", "ring", "infinity")
            if "iris closed" in ask["text"]:
                self._open_stop = float(self._bench.ask_world({"do": "look"})["iris"])
                self._do("set", "iris", float(inputs.get("f_number", 5.6)))
        elif "lens" in inputs:
            self.seat(str(inputs["lens"]))

    def _do(self, do: str, what: str, value: Any) -> None:
        self._bench.hand(do, what, value)
        self._said(f"hand: {do} {what} {value}")


async def why(events: Watch) -> str:
    """What was told of it; an event may come a moment after the end that it explains."""
    told: list[str] = []
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(0.5):
            async for _, event in events:
                if event["severity"] != "info":
                    told.append(f" {event['text']} {event['advice']}".rstrip())
    return "".join(told)
