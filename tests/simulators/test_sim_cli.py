"""`benchd-sim` as a person or a script runs it."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from .conftest import Bench

SIM = (sys.executable, "-m", "benchd_simulators")


def sim(*arguments: object, timeout: float = 30) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*SIM, *map(str, arguments)], capture_output=True, text=True, timeout=timeout, check=False)


def test_up_prints_and_writes_where_everything_is(bench: Bench) -> None:
    ports = bench.ports
    serial = ["board", "counter", "indicator", "inputs"]
    assert [line[0] for line in bench.printed] == [*serial, "camera", "camera_settings", "camera_stream", "hand"]
    assert all(ports[name] == place for name, place in bench.printed)
    for name in serial:
        assert Path(ports[name]).is_symlink()
        assert stat.S_ISCHR(os.stat(ports[name]).st_mode)
    assert ports["pid"] == bench.process.pid
    assert stat.S_IMODE(os.stat(ports["hand"]).st_mode) == 0o600


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_stops_in_a_move_and_leaves_nothing(bench: Bench, number: int) -> None:
    port = bench.serial()
    port.write(b"$X\n$20=0\nG91 G1 Z20 F20\n")
    port.readline()
    assert bench.stop(number) == 0  # it is given ten seconds; the move takes a minute
    assert sorted(os.listdir(bench.folder)) == [".lock"]


def test_names_left_by_a_killed_run_are_taken_over(start_bench: Callable[..., Bench]) -> None:
    first = start_bench()
    first.stop(signal.SIGKILL)
    assert (first.folder / "board").is_symlink()
    second = start_bench(folder=first.folder)
    second.serial("counter").write(b"P?\n")
    assert second.ports["pid"] == second.process.pid


def test_a_second_one_in_the_same_folder_is_refused(bench: Bench) -> None:
    answer = sim("up", "workshop", "--dir", bench.folder)
    assert answer.returncode == 3
    assert "already runs" in answer.stderr
    assert bench.serial("counter").is_open


def test_a_taken_camera_port_is_replaced(start_bench: Callable[..., Bench]) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        number = taken.getsockname()[1]
        bench = start_bench("--camera-port", str(number))
        assert not bench.ports["camera"].startswith(f"http://127.0.0.1:{number}/")


def test_it_dies_with_its_parent(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    script = (
        "import subprocess, sys, time\n"
        f"p = subprocess.Popen([*{SIM!r}, 'up', 'workshop', '--with-parent', '--camera-port', '0',"
        f" '--dir', {str(folder)!r}], stdout=subprocess.PIPE, text=True)\n"
        "print(p.pid, flush=True)\n"
        "for line in p.stdout:\n"
        "    if line.startswith('hand'): print('up', flush=True)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert parent.stdout is not None
    child = int(parent.stdout.readline())
    assert parent.stdout.readline() == "up\n"
    parent.kill()
    parent.wait(10)
    parent.stdout.close()
    ends = time.monotonic() + 20
    while (folder / "ports.json").exists() and time.monotonic() < ends:
        time.sleep(0.02)
    assert not (folder / "ports.json").exists()
    ends = time.monotonic() + 20
    while alive(child) and time.monotonic() < ends:
        time.sleep(0.02)
    assert not alive(child)


def alive(pid: int) -> bool:
    """Still running; one that waits to be reaped is not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_a_long_folder_name(start_bench: Callable[..., Bench], tmp_path: Path) -> None:
    folder = tmp_path / ("a" * 60) / ("b" * 60)  # a Unix socket address holds 108 bytes (unix(7))
    start_bench(folder=folder)
    assert sim("hand", "measure", "thermometer", "--dir", folder).returncode == 0


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("up",), "WORLD"),
        (("up", "workshop", "--pace", "fast"), "fast is no number above 0 and at most 100"),
        (("up", "workshop", "--camera-port", "8883x"), "'8883x' is no port, which is a whole number from 0 (any free"),
        (("up", "workshop", "--camera-port", "70000"), "'70000' is no port"),
        (("up", "workshop", "--camera-port", "-1"), "'-1' is no port"),
        (("up", "workshop", "--camera-port", "1883000000"), "'1883000000' is no port"),
        (("up", "workshop", "--camera-port", "0000070000"), "'0000070000' is no port"),
        (("up", "workshop", "--pace", "0"), "--pace"),
        (("up", "workshop", "--seed", "x"), "--seed"),
        (("fault", "broker", "unplug"), "broker"),
        (("fault", "board", "unplug", "soon"), "KEY=VALUE"),
        (("wave",), "wave"),
    ],
)
def test_bad_arguments_are_told_and_exit_2(tmp_path: Path, arguments: tuple[str, ...], expected: str) -> None:
    answer = sim(*arguments, "--dir", tmp_path) if len(arguments) > 1 else sim(*arguments)
    assert answer.returncode == 2
    assert expected in answer.stderr
    assert "Traceback" not in answer.stderr


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("nowhere", None, "the worlds that ship are garage, workshop, workshop-autocollimation, workshop-collimated"),
        ("empty.yaml", "", "it begins with 'world: NAME'"),
        ("tab.yaml", "world: x\n\tarrangement: wall\n", "tab.yaml:2:"),
    ],
)
def test_a_world_that_will_not_do_is_refused(tmp_path: Path, name: str, text: str | None, said: str) -> None:
    if text is not None:
        (tmp_path / name).write_text(text)
    answer = sim("up", name if text is None else tmp_path / name, "--dir", tmp_path / "run")
    assert answer.returncode == 1
    assert said in answer.stderr
    assert "Traceback" not in answer.stderr


@pytest.mark.parametrize("option", ["--truth", "--journal"])
def test_a_file_that_cannot_be_written_is_told_before_anything_is_plugged_in(tmp_path: Path, option: str) -> None:
    answer = sim("up", "workshop", "--dir", tmp_path / "run", option, tmp_path / "nowhere" / "x")
    assert answer.returncode == 1
    assert f"{option} {tmp_path / 'nowhere' / 'x'} cannot be written; name a file in a folder" in answer.stderr
    assert not (tmp_path / "run").exists()


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    answer = sim("up", "workshop", "--dir", tmp_path / "file" / "run")
    assert answer.returncode == 3
    assert f"{tmp_path / 'file' / 'run'}: Not a directory; is --dir a folder" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_a_bad_world_file_is_told_with_line_and_key_and_exit_1(tmp_path: Path) -> None:
    path = tmp_path / "bad.yaml"
    path.write_text("world: bad\narrangement: sideways\n")
    answer = sim("up", path, "--dir", tmp_path / "run")
    assert answer.returncode == 1
    assert re.search(r"bad\.yaml:2:\d+:? arrangement", answer.stderr)
    assert "Traceback" not in answer.stderr
    assert not (tmp_path / "run").exists()


def test_the_hand(bench: Bench) -> None:
    def hand(*words: object) -> subprocess.CompletedProcess[str]:
        return sim("hand", *words, "--dir", bench.folder)

    lens = bench.truth()["setup"]["lens"]
    assert hand("remove", "lens", lens).returncode == 0
    assert bench.truth()["setup"]["lens"] is None
    assert json.loads(hand("fit", "lens", lens).stdout)["lens"] == lens
    assert hand("set", "wall_mm", 6000).returncode == 0
    assert bench.truth()["setup"]["wall_mm"] == 6000
    assert hand("turn", "ring", "infinity").returncode == 0
    assert json.loads(hand("measure", "tape").stdout)["m"]["value"] > 0
    refused = hand("fit", "lens", "L-9999")
    assert refused.returncode == 1
    assert refused.stderr.startswith("benchd-sim: ")
    assert hand("fit", "lens").returncode == 1


def test_the_truth(start_bench: Callable[..., Bench], tmp_path: Path) -> None:
    file = tmp_path / "truth.json"
    bench = start_bench("--seed", "5", "--truth", str(file))
    told = json.loads(sim("truth", "--dir", bench.folder).stdout)
    assert told["seed"] == 5
    out = tmp_path / "out.json"
    assert sim("truth", "--dir", bench.folder, "--out", out).returncode == 0
    nowhere = sim("truth", "--dir", bench.folder, "--out", out.parent / "nowhere" / "truth.json")
    assert nowhere.returncode == 1
    assert "nowhere/truth.json cannot be written" in nowhere.stderr
    assert json.loads(out.read_text())["focus_error_um"] == told["focus_error_um"]
    assert json.loads(file.read_text())["focus_error_um"] == told["focus_error_um"]
    bench.tell(do="remove", what="lens")
    bench.stop()
    assert json.loads(file.read_text())["focus_error_um"] is None


def test_faults_from_the_command_line(bench: Bench) -> None:
    def fault(*words: object) -> subprocess.CompletedProcess[str]:
        return sim("fault", *words, "--dir", bench.folder)

    assert fault("counter", "unplug").returncode == 0
    assert not os.path.lexists(bench.folder / "counter")
    assert fault("counter", "plug").returncode == 0
    assert fault("board", "lose", "byte=0x85", "n=2").returncode == 0
    assert fault("world", "lose_steps", "value=40").returncode == 0
    for words in (
        ("board", "explode"),
        ("camera", "explode"),
        ("world", "explode"),
        ("board", "lose"),
        ("board", "late", "n=x"),
    ):
        answer = fault(*words)
        assert answer.returncode == 1, words
        assert "Traceback" not in answer.stderr


def test_nobody_there(tmp_path: Path) -> None:
    answer = sim("truth", "--dir", tmp_path)
    assert answer.returncode == 3
    assert f"No simulator answers in {tmp_path}" in answer.stderr
    assert f"Start one: benchd-sim up WORLD --dir {tmp_path}" in answer.stderr


@pytest.mark.parametrize(
    "line", [b"nonsense\n", b"[1]\n", b"{}\n", b'{"do":"fault"}\n', b'{"do":5}\n', b"[" * 9000 + b"\n", b"\xff\n"]
)
def test_the_hand_socket_answers_nonsense_and_lives(shared_bench: Bench, line: bytes) -> None:
    with socket.socket(socket.AF_UNIX) as raw:
        raw.settimeout(5)
        raw.connect(shared_bench.ports["hand"])
        raw.sendall(line)
        answer = json.loads(raw.makefile().readline())
    assert answer["ok"] is False
    assert answer["error"].endswith(".")
    assert shared_bench.tell(do="measure", what="thermometer")["ok"]


def test_help_is_quick_and_loads_nothing_heavy() -> None:
    code = (
        "import sys\nfrom benchd_simulators.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'pydantic', 'ruamel', 'asyncio'} & set(sys.modules)\n"
        "sys.exit(f'loaded {heavy}' if heavy else 0)"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0


def test_instruments_answer_at_the_places_that_it_prints(tmp_path: Path) -> None:
    ports = ("--supply-port", "0", "--meter-port", "0", "--with-parent")
    with subprocess.Popen(
        [*SIM, "instruments", "--dir", tmp_path, *ports], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        places = dict(process.stdout.readline().split() for _ in range(5))
        for name in ("supply", "meter"):
            _, host, port, _ = places[name].split("::")
            with socket.create_connection((host, int(port)), timeout=5) as line, line.makefile("rb") as answers:
                line.sendall(b"*IDN?\n")
                assert answers.readline().startswith(b"HOUSE," + name.upper().encode())
        assert {"hand", "supply_line", "meter_line"} < set(places)
        for wrong, why in ((("supply", "melt"), "has no fault 'melt'"), (("board", "plug"), "There is no 'board'")):
            told = sim("fault", *wrong, "--dir", tmp_path)
            assert told.returncode == 1
            assert why in told.stderr
        process.terminate()
        assert process.wait(10) == 0
    assert not (tmp_path / "ports.json").exists()


def test_instruments_on_a_port_that_is_taken(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        told = sim("instruments", "--dir", tmp_path, "--supply-port", port)
    assert told.returncode == 3
    assert f"port {port}: Address already in use" in told.stderr
