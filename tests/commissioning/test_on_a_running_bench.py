"""A bench as `benchd new` writes it comes to a verdict; and what `benchd doctor` says of a bench that runs."""

from __future__ import annotations

import asyncio
import json
import os
import re
import time
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import exits
from benchd.cli.main import main
from stack import BIN, Stack
from technician import Technician
from tests.at_a_terminal import Terminal
from tests.commissioning.conftest import Hardware
from tests.stack.conftest import PACE, SEED

pytestmark = pytest.mark.stack

QUESTION = re.compile(r"\[y/N\]|ended: \d")
READ_S = 0.6
"""Nobody can have read a question sooner, and the doctor knows that."""


class NewStack(Stack):
    """The simulated hardware, with the bench file that `benchd new` makes of somebody's answers."""

    async def start_hardware(self) -> None:
        await super().start_hardware()
        ports = json.loads((self.run_folder / "ports.json").read_text(encoding="utf-8"))
        answers = Hardware(self.bench_file.parent, ports).answers(self.pace)
        code = await asyncio.to_thread(main, ["new", str(self.bench_file), *answers, "--overwrite", "--json"])
        assert code == exits.DONE
        text = self.bench_file.read_text(encoding="utf-8")
        free = text.replace("broker: embedded}", "broker: embedded, ports: [0, 0]}")
        assert free != text
        self.bench_file.write_text(free, encoding="utf-8")


async def doctor(stack: Stack, *words: str) -> tuple[int, dict[str, list[dict[str, str]]]]:
    """Its exit code, and what it found by what it is of."""
    process = await asyncio.create_subprocess_exec(
        str(BIN / "benchd"), "doctor", str(stack.bench_file), "--json", *words,
        stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE,
        env={**os.environ, "XDG_RUNTIME_DIR": str(stack.folder / "xdg")},
    )  # fmt: skip
    out, _ = await process.communicate()
    assert process.returncode is not None
    found: dict[str, list[dict[str, str]]] = {}
    for one in json.loads(out)["found"]:
        found.setdefault(one["what"], []).append(one)
    return process.returncode, found


async def test_what_new_writes_drives_the_hardware_to_a_verdict() -> None:
    async with NewStack(seed=SEED, pace=PACE) as bench:
        code, found = await doctor(bench)
        assert code == exits.DONE, found
        assert [one["state"] for one in found["daemon"]] == ["ok"]
        assert "not homed" in found["carriage"][0]["text"]
        async with bench.client("technician") as client:
            await client.command("take", beat=False)
            technician = Technician(bench, client, lambda _: None)
            await technician.calibrate(["ring-07"])
            finding = await technician.check("L-0417", ["ring-07"], ["pane-25"])
        truth: dict[str, Any] = await bench.truth()
    error = finding["values"]["focus_error"]
    assert finding["absolute"]
    assert finding["verdict"]["is"] in ("pass", "fail", "undecided")
    assert abs(error["value"] - truth["focus_error_um"]) < 1.5 * error["U"]


class Doctor:
    """`benchd doctor` with a small move, at a terminal; says yes to all but the indicator."""

    def __init__(self, stack: Stack) -> None:
        path = f"{BIN}:{os.environ['PATH']}"
        xdg = str(stack.folder / "xdg")
        self._terminal = Terminal(
            stack.bench_file.parent, {**os.environ, "TERM": "dumb", "PS1": "$ ", "PATH": path, "XDG_RUNTIME_DIR": xdg}
        )

    def __call__(self, *answers: str) -> str:
        """What it says, in one line; the answers are typed as the questions come."""
        seen = len(self._terminal.shown)
        began = seen
        self._terminal.type("benchd doctor --move-um 200; echo ended: $?")
        seen = self._terminal.until("echo ended: $?", seen)
        for answer in answers:
            seen = self._terminal.until("[y/N]", seen)
            time.sleep(READ_S)
            self._terminal.type(answer)
        self._terminal.until("ended: ", seen)
        return " ".join(self._terminal.shown[began:].split())

    def end(self) -> None:
        self._terminal.end()


def number(path: Path, um_per_unit: int) -> None:
    """Write what one unit of the controller's is said to be."""
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"um_per_unit: \d+ +#", f"um_per_unit: {um_per_unit}   #", text, count=1), encoding="utf-8")


async def test_a_small_move_tells_unit_and_direction() -> None:
    """First as it ought to be; then the scale counts backwards; then the file has another unit than the board."""
    async with NewStack(seed=SEED) as bench:
        terminal = Doctor(bench)
        try:
            async with bench.client() as client:
                said = await asyncio.to_thread(terminal, "n")
                assert "The carriage is not homed, so it makes no small move." in said
                assert not (await client.kept("device/carriage"))["homed"]  # no yes, no move
                said = await asyncio.to_thread(terminal, "y", "n", "y")
                assert "ok um_per_unit: The motor counted +20" in said, said
                assert "ok direction:" in said
                assert "ended: 0" in said
                assert (await client.kept("control"))["holder"] is None  # given back

            bench.ask_world({"do": "fault", "who": "world", "what": "encoder_reversed", "args": {}})
            said = await asyncio.to_thread(terminal, "n", "y")
            assert "WRONG direction:" in said, said
            assert "motor and scale count opposite ways" in said
            assert "turn the sign of `um_per_unit` of the scale" in said
            bench.ask_world({"do": "fault", "who": "world", "what": "encoder_reversed", "args": {"value": False}})

            await bench.end("daemon")
            number(bench.bench_file, 1250)
            await bench.start_daemon()
            said = await asyncio.to_thread(terminal, "y", "n", "y")
            assert re.search(r"WRONG um_per_unit: .* that is 0\.(7[6-9]|8|8[0-4])\d* times as far", said), said
            assert "`um_per_unit` of stage has to be 0." in said
            assert "ended: 3" in said

            bench.ask_world({"do": "fault", "who": "counter", "what": "unplug", "args": {}})
            code, found = await doctor(bench, "--open", "all", "--move-um", "200")
            assert code == exits.FAULT
            assert found["position"][0]["state"] == "wrong"
            assert found["ports"][0]["state"] == "skipped"  # the daemon alone has them
            assert "Nobody is at a terminal" in found["um_per_unit"][0]["text"]
        finally:
            await asyncio.to_thread(terminal.end)
