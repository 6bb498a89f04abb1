"""The command line against a whole simulated bench: hardware, daemon and broker are processes of their own."""

from __future__ import annotations

import asyncio
import csv
import json
import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchd.cli.prompts import READ_S
from benchd.client import BenchClient
from benchd.files.names import label_of

pytestmark = [pytest.mark.stack, pytest.mark.xdist_group("cli-bench")]

ROOT = Path(__file__).resolve().parents[2]
BIN = Path(sys.executable).parent
FLANGE = ["flange_check", "lens=L-0417", "adapters=ring-07", "glass=pane-25", "distance_mm=5 m", "repeats=3"]
CTRL_C = b"\x03"
PACE = 5.0


def wait_for(path: Path, process: subprocess.Popen[bytes], within_s: float = 120.0) -> Any:
    """The JSON that a process writes once it is up."""
    until = time.monotonic() + within_s
    while time.monotonic() < until and process.poll() is None:
        if path.exists():
            return json.loads(path.read_text(encoding="utf-8"))
        time.sleep(0.05)
    raise AssertionError(f"{path} was not written; exit code {process.poll()}")


def environment(folder: Path) -> dict[str, str]:
    return {**os.environ, "XDG_RUNTIME_DIR": str(folder / "xdg"), "COLUMNS": "100", "TERM": "dumb"}


class Bench:
    """A folder with a bench file, its simulated hardware and, once started, its daemon."""

    has_found = False

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "workshop"
        shutil.copytree(ROOT / "configs" / "workshop", self.folder)
        (self.folder / "xdg").mkdir()
        self.sim = subprocess.Popen(
            [
                BIN / "benchd-sim",
                "up",
                "workshop",
                "--seed",
                "5",
                "--dir",
                "run",
                "--camera-port",
                "0",
                "--pace",
                str(PACE),
                "--with-parent",
            ],
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
        )
        self.camera = wait_for(self.folder / "run" / "ports.json", self.sim)["camera"]
        file = self.folder / "bench.yaml"
        text = file.read_text(encoding="utf-8")
        text = text.replace("http://127.0.0.1:8780/frame.png", self.camera)
        text = text.replace("http://127.0.0.1:8780/settings", self.camera.replace("frame.png", "settings"))
        text = text.replace("mqtt: {broker: embedded}", "mqtt: {broker: embedded, ports: [0, 0]}")
        # As quick as the hardware at this pace.
        for key, shipped, quick in (
            ("top_speed_um_s", 4000, 4000 * PACE),
            ("acceleration_um_s2", 20_000, 20_000 * PACE**2),
            ("settle_ms", 150, 150 / PACE),
        ):
            text, found = re.subn(rf"\b{key}: {shipped}\b", f"{key}: {quick:g}", text)
            assert found == 1, key
        file.write_text(text, encoding="utf-8")
        self.hand("set", "ring", "infinity")

    def hand(self, *words: str) -> None:
        subprocess.run([BIN / "benchd-sim", "hand", *words], cwd=self.folder, check=True, stdout=subprocess.DEVNULL)

    def up(self, file: str = "bench.yaml") -> subprocess.Popen[bytes]:
        with (self.folder / "up.out").open("wb") as out, (self.folder / "up.err").open("wb") as err:
            return subprocess.Popen(
                [BIN / "benchd", "up", file, "--ports-file", "up.json"],
                cwd=self.folder, env=environment(self.folder), stdout=out, stderr=err,
            )  # fmt: skip

    def benchd(self, *words: str, code: int | None = 0) -> subprocess.CompletedProcess[str]:
        told = subprocess.run(
            [BIN / "benchd", *words], cwd=self.folder, env=environment(self.folder), stdin=subprocess.DEVNULL,
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip
        assert code is None or told.returncode == code, told.stdout + told.stderr
        assert "Traceback" not in told.stderr
        return told

    def begin(self, *words: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [BIN / "benchd", *words], cwd=self.folder, env=environment(self.folder), stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip

    def until(self, topic: str, within_s: float = 120.0, **wanted: Any) -> dict[str, Any]:
        """The kept document of a topic once these are its values."""

        async def heard() -> dict[str, Any]:
            at = json.loads((self.folder / "up.json").read_text(encoding="utf-8"))
            async with asyncio.timeout(within_s), BenchClient(at["host"], at["port"], user="looker") as client:
                async for _, doc in client.watch(topic):
                    if doc is not None and all(doc[key] == value for key, value in wanted.items()):
                        return dict(doc)
            raise AssertionError("a watch does not end by itself")

        return asyncio.run(heard())

    def run_until(self, state: str) -> dict[str, Any]:
        """The `procedure` document once the run is in a state."""
        return self.until("procedure", state=state)


@pytest.fixture(scope="module")
def hardware(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """The simulated hardware, and files that name it."""
    bench = Bench(tmp_path_factory.mktemp("cli"))
    yield bench
    bench.sim.terminate()
    bench.sim.wait(10)


@pytest.fixture(scope="module")
def bench(hardware: Bench) -> Iterator[Bench]:
    """The same with its daemon."""
    daemon = hardware.up()
    wait_for(hardware.folder / "up.json", daemon)
    yield hardware
    daemon.send_signal(signal.SIGTERM)
    assert daemon.wait(10) == 0
    assert not list((hardware.folder / "xdg" / "benchd").glob("*.json"))


def what_up_says(bench: Bench) -> str:
    """All of what `up` prints, which it does a moment after it has told where it listens."""
    end = time.monotonic() + 10
    while "Ctrl-C ends it" not in (told := (bench.folder / "up.out").read_text(encoding="utf-8")):
        assert time.monotonic() < end, told
        time.sleep(0.05)
    return told


def test_up_begins_with_the_caution_and_says_what_to_type(bench: Bench) -> None:
    first = (bench.folder / "up.err").read_text(encoding="utf-8").splitlines()[0]
    assert "not an emergency stop" in first
    told = what_up_says(bench)
    port = json.loads((bench.folder / "up.json").read_text(encoding="utf-8"))["listeners"]["v4"]
    assert f"mosquitto_sub -h 127.0.0.1 -p {port} -v -t 'benchd/north-rail/#'" in told
    assert "Bench north-rail, wall" in bench.benchd("status").stdout


def test_the_lines_that_up_prints_for_any_client_home_the_bench(bench: Bench) -> None:
    assert shutil.which("mosquitto_pub"), "the clients of mosquitto are missing; scripts/test installs them"
    told = what_up_says(bench).replace("\\\n", " ")
    lines = [line.strip() for line in told.splitlines() if "mosquitto_pub" in line]
    take, home = (next(line[line.index("mosquitto_pub") :] for line in lines if verb in line)
                  for verb in ("/take ", "/home "))  # fmt: skip
    for line in (take, home):
        subprocess.run(["bash", "-c", line], check=True, timeout=120)
    bench.until("device/carriage", homed=True)
    bench.benchd("do", "release", "force=true")


def test_a_run_asks_from_anywhere_and_ends_in_a_finding_that_can_be_reported(bench: Bench) -> None:
    run = bench.begin("run", *FLANGE, "--json")
    question = bench.run_until("asking")["ask"]
    busy = bench.benchd("run", *FLANGE, code=1)
    assert "(busy)" in busy.stderr
    bench.benchd("do", "answer", f"ask={question['ask']}", "value=true", "--user", "wall")
    out, err = run.communicate(timeout=120)
    assert run.returncode == 0, out + err
    assert f"benchd do answer --bench north-rail ask={question['ask']} value=true" in err
    doc = json.loads(out)
    (finding,) = doc["findings"]
    assert doc["state"] == "done"
    bench.has_found = True
    assert finding["run"] == doc["run"]
    # No zero was calibrated: the finding is relative, and the exit code does not judge it.
    assert finding["absolute"] is False
    assert doc["chain"][-1]["term"] == "carriage"

    told = bench.benchd("report", doc["run"], "--out", "focus.png")
    assert (bench.folder / "focus.png").read_bytes().startswith(b"\x89PNG")
    nowhere = bench.benchd("report", doc["run"], "--out", "nowhere/focus.png", code=1)
    assert "nowhere/focus.png cannot be written" in nowhere.stderr
    assert "Name a file in a folder that is there" in nowhere.stderr
    assert told.stderr == ""  # computed again, best focus lies where the finding says
    assert "RELATIVE" in told.stdout
    assert "Datum chain" in told.stdout
    assert max(map(len, told.stdout.splitlines())) <= 100
    by_itself = bench.folder / f"L-0417-{finding['finding']}.png"
    assert not by_itself.exists()
    assert f"is in {by_itself.name}." in bench.benchd("report", "L-0417").stdout
    assert by_itself.read_bytes() == (bench.folder / "focus.png").read_bytes()
    by_itself.unlink()

    by_lens = json.loads(bench.benchd("report", "L-0417", "--json", "--store", "sqlite:///workshop.db").stdout)
    assert by_lens["findings"] == doc["findings"]
    assert by_lens["chain"] == doc["chain"]
    assert by_lens["picture"] is None
    assert not by_itself.exists()
    shown = json.loads(bench.benchd("show", "run", doc["run"], "--json").stdout)
    assert [one["idx"] for one in shown["readings"][::2]] == list(range(finding["readings"]["indices"][1] + 1))
    assert "readings" in bench.benchd("show", "run").stdout
    assert finding["finding"] in bench.benchd("show", "lens", "L-0417").stdout
    assert "Best focus is" in bench.benchd("show", "finding", finding["finding"]).stdout
    assert "conjugate" in bench.benchd("show", "setup").stdout


@pytest.fixture(scope="module")
def found(bench: Bench) -> None:
    """The record holds a finding of the shipped lens."""
    if bench.has_found:
        return
    run = bench.begin("run", *FLANGE, "--json")
    bench.benchd("do", "answer", f"ask={bench.run_until('asking')['ask']['ask']}", "value=true", "--user", "wall")
    out, err = run.communicate(timeout=120)
    assert run.returncode == 0, out + err


@pytest.mark.usefixtures("found")
@pytest.mark.parametrize("named", [[], ["--bench-file", "bench.yaml"]])
def test_what_was_found_can_be_read_while_the_bench_file_is_broken(bench: Bench, named: list[str]) -> None:
    file = bench.folder / "bench.yaml"
    text = file.read_text(encoding="utf-8")
    assert text.count("seat: rail") == text.count("  settle_ms:") == 1
    file.write_text(text.replace("  settle_ms:", "  settel_ms:"), encoding="utf-8")
    try:
        assert "L-0417" in bench.benchd("show", "lens", *named).stdout
        told = bench.benchd("report", "L-0417", "--out", "broken.png", *named)
        assert (bench.folder / "broken.png").read_bytes().startswith(b"\x89PNG")
        assert "did you mean 'settle_ms'" in told.stderr
    finally:
        file.write_text(text, encoding="utf-8")


def at_a_terminal(bench: Bench, words: list[str], keys: list[tuple[str, bytes]]) -> tuple[str, int]:
    """Run at a pseudo-terminal, typing each key string once its text has come; gives what was shown and the code."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [BIN / "benchd", *words], cwd=bench.folder, env={**environment(bench.folder), "TERM": "xterm"},
        stdin=slave, stdout=slave, stderr=slave, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    shown, waiting = b"", list(keys)
    end = time.monotonic() + 90
    while time.monotonic() < end:
        if select.select([master], [], [], 0.2)[0]:
            try:
                shown += os.read(master, 65536)
            except OSError:  # the other end is closed
                break
        if waiting and waiting[0][0].encode() in shown:
            key = waiting.pop(0)[1]
            if key == CTRL_C:
                process.send_signal(signal.SIGINT)
            else:
                time.sleep(2 * READ_S)  # as a person, who reads first
                os.write(master, key)
    os.close(master)
    return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.decode()).replace("\r", ""), process.wait(10)


def test_at_a_terminal_the_person_is_asked_and_may_end_the_run(bench: Bench) -> None:
    keys = [("Enter when", b"well\n"), ("Press Enter, or type abort.", b"abort\n")]
    shown, code = at_a_terminal(bench, ["run", *FLANGE], keys)
    assert code == 1
    assert "? Adapters and glass as listed, lens seated, ring at infinity, iris open?" in shown
    assert re.search(r"Run r-\d+ \(flange_check\) was aborted by \S+\.", shown), "and not 'run', as the wire says"


COMMON = ["adapters=ring-07", "glass=pane-25", "distance_mm=5 m"]


def test_one_lens_after_another_takes_an_enter_each_and_ends_in_a_table(bench: Bench) -> None:
    label = label_of("L-0417")
    words = ["batch", label, "L-0418", *COMMON, "--csv", "day.csv"]
    shown, code = at_a_terminal(bench, words, [("open? (L-0417)", b"\n"), ("open? (L-0418)", b"\n")])
    assert code == 0, shown
    assert "1 of 2: " + label in shown
    assert re.search(r"Lens L-0418: relative, no verdict\. Best focus .* µm .* the assumed nominal", shown)
    with (bench.folder / "day.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["lens"], row["state"], row["verdict"]) for row in rows] == [
        ("L-0417", "done", ""),
        ("L-0418", "done", ""),
    ]
    assert all(abs(float(row["focus_error_um"])) < float(row["U_um"]) for row in rows)

    times = json.loads(bench.benchd("report", rows[0]["run"], "--times", "--json").stdout)
    spent = {row["what"]: row for row in times["rows"]}
    assert {"moves", "settling", "exposures", "wire", "analysis", "person", "other"} <= set(spent)
    assert sum(row["s"] for row in times["rows"]) == pytest.approx(times["total_s"], abs=0.01)
    assert all(row["floor_s"] <= row["s"] + 1e-3 for row in times["rows"])
    assert spent["exposures"]["count"] in (5 + 16, 5 + 5 + 16), (
        "a look, one more if nothing foretold the place, and a pass"
    )
    assert spent["settling"]["count"] > spent["exposures"]["count"], "on the way to nominal it comes to rest as well"
    table = bench.benchd("report", rows[0]["run"], "--times").stdout
    assert re.search(r"waiting for a person +1 +[0-9.]+", table)
    assert re.search(r"the machine +[0-9.]+ +[0-9.]+", table)


def test_a_batch_is_refused_whole_before_anything_is_seated(bench: Bench) -> None:
    told = bench.benchd("batch", "L-0417", "L-0471", *COMMON, code=1)
    assert "there is no lens 'L-0471'; did you mean" in told.stderr
    assert "is named twice" in bench.benchd("batch", "L-0417", "L-0417", code=2).stderr
    assert "m is of one lens" in bench.benchd("batch", "L-0417", "m=0.0101+-0.0001", code=2).stderr
    (bench.folder / "there.csv").touch()
    assert "is there already" in bench.benchd("batch", "L-0417", "--csv", "there.csv", code=2).stderr


def test_what_a_batch_cannot_do_is_told_before_the_first_lens(bench: Bench) -> None:
    told = bench.benchd("batch", "L-0417", "L-0418", "adapters=", *COMMON[1:], code=1).stderr
    assert "L-0417: setup: Lens L-0417 rests on 'm50'" in told
    told = bench.benchd("batch", "L-0417", *COMMON, "--csv", "nowhere/day.csv", code=1).stderr
    assert "day.csv cannot be written" in told
    label = next(f"L-0417-{mark}" for mark in "ABCDEFGHJK" if f"L-0417-{mark}" != label_of("L-0417"))
    told = bench.benchd("batch", label, "--like", "L-0417", *COMMON, code=1).stderr
    assert "the check character differs" in told
    assert not (bench.folder / "lenses" / f"{label}.yaml").exists()


def test_where_the_time_of_a_run_went_is_told_of_runs_alone(bench: Bench) -> None:
    assert "of a run" in bench.benchd("report", "L-0417", "--times", code=2).stderr


def test_the_record_tells_why_a_run_failed(bench: Bench) -> None:
    bench.benchd("do", "home")
    run = bench.begin("run", *FLANGE)
    bench.run_until("asking")
    subprocess.run(
        [BIN / "benchd-sim", "fault", "world", "push", "value=300"],
        cwd=bench.folder, check=True, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    ended = bench.run_until("failed")["run"]
    run.communicate(timeout=120)
    why = json.loads(bench.benchd("show", "run", ended, "--json").stdout)["why"]
    assert why["text"].startswith("The position is not trusted any more: ")
    assert why["text"] in " ".join(bench.benchd("show", "run", ended).stdout.split())


def test_the_first_ctrl_c_pauses_the_second_leaves_and_the_run_can_be_ended(bench: Bench) -> None:
    shown, code = at_a_terminal(
        bench, ["run", *FLANGE], [("Enter when", b"\n"), ("step 6", CTRL_C), ("is paused:", CTRL_C)]
    )
    assert code == 1
    assert "is paused: `benchd do resume run=" in shown
    assert "Left;" in shown
    run = bench.run_until("paused")["run"]
    bench.benchd("do", "resume", f"run={run}")
    bench.run_until("running")
    bench.benchd("do", "abort", f"run={run}")
    bench.run_until("aborted")


def test_a_move_ends_where_it_says(bench: Bench) -> None:
    bench.benchd("do", "home")
    told = json.loads(bench.benchd("do", "move", "carriage_um=9 mm", "--json").stdout)
    assert told["result"]["carriage_um"] == pytest.approx(9000.0, abs=1.5)
    beyond = bench.benchd("do", "move", "carriage_um=50000", code=1)
    assert "(limit)" in beyond.stderr


def test_setting_up_says_what_went_with_it_and_where_nominal_is(bench: Bench) -> None:
    """The screen said 'setup: done; rev 20' while ring and m were dropped and nominal moved."""
    bench.benchd(
        "do", "setup", "lens=L-0417", "adapters=ring-07", "ring=infinity", "distance_mm=5 m", "m=0.0102+-0.00001"
    )
    told = bench.benchd("do", "setup", "lens=L-0418").stdout
    assert "ring infinity: it was stated of lens L-0417" in told
    assert re.search(r"Nominal +carriage [0-9.]+ µm, moved by −\d+\.\d µm", told)
    assert re.search(r"Zero +RELATIVE: .*ring", told)
    rev = json.loads(bench.benchd("do", "setup", "ring=infinity", "--json").stdout)["result"]["rev"]
    nothing = bench.benchd("do", "setup").stdout
    assert nothing.startswith(f"setup: done; nothing has changed, revision {rev} stands.")
    bench.benchd("do", "home")
    followed = bench.benchd("do", "setup", "trim_um=5", "follow=true").stdout
    assert re.search(r"revision \d+\. The carriage stands at [0-9.]+ µm\.\nSet +trim 5 µm *\n", followed)
    assert "moved by +5.0 µm" in followed
    bench.benchd("do", "setup", "trim_um=0")


def test_a_bench_file_that_may_not_stand_is_listed_and_ends_with_1(hardware: Bench) -> None:
    bad = hardware.folder / "bad.yaml"
    text = (hardware.folder / "bench.yaml").read_text(encoding="utf-8")
    bad.write_text(text.replace("settle_ms: 30", "settle_ms: soon"), encoding="utf-8")
    told = hardware.benchd("up", "bad.yaml", code=1)
    assert hardware.benchd("check", "bad.yaml", code=1).stdout.count("\n") == 2
    assert "nothing moved" in told.stderr
    assert re.search(r"bad\.yaml:\d+:\d+ motion\.settle_ms = 'soon': ", told.stderr)


def test_hardware_that_is_not_there_ends_with_3(hardware: Bench) -> None:
    gone = hardware.folder / "gone.yaml"
    text = (hardware.folder / "bench.yaml").read_text(encoding="utf-8")
    gone.write_text(text.replace("port: run/board", "port: run/no-board").replace("workshop.db", "gone.db"), "utf-8")
    told = hardware.benchd("up", "gone.yaml", code=3)
    assert "run/no-board" in told.stderr
