"""`benchd doctor` of a bench that is not running: each fault is told with what to do, and costs no other probe."""

from __future__ import annotations

import grp
import json
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from benchd.cli import exits
from benchd.commissioning import machine
from benchd.commissioning.shipped import examples_folder
from tests.commissioning.conftest import LEAST, ROOT, Cli, Hardware, Told

pytestmark = pytest.mark.stack


@pytest.fixture
def doctor(hardware: Hardware, cli: Cli, tmp_path: Path) -> Cli:
    """Of the simulated hardware, with the bench file edited by pairs of words; all may be opened."""
    assert cli("new", "bench.yaml", *hardware.answers(), "--overwrite").code == exits.DONE
    (tmp_path / "run").symlink_to(hardware.folder / "run")

    def call(*edits: tuple[str, str], opened: str = "all") -> Told:
        path = tmp_path / "bench.yaml"
        text = path.read_text(encoding="utf-8")
        for old, new in edits:
            assert old in text
            text = text.replace(old, new, 1)
        path.write_text(text, encoding="utf-8")
        return cli("doctor", "bench.yaml", "--json", *(("--open", opened) if opened else ()))

    return call


def test_a_healthy_bench_is_said_to_be_so_and_nothing_is_opened_unasked(doctor: Cli, hardware: Hardware) -> None:
    told = doctor(opened="")
    assert (told.code, told.wrong) == (exits.DONE, set())
    for part in ("carriage_line", "scale_line", "indicator_line", "camera"):
        assert told.of(part)[-1]["state"] == "skipped", told.of(part)
        assert f"--open {part}" in told.of(part)[-1]["advice"]
    told = doctor()
    assert (told.code, told.wrong) == (exits.DONE, set()), told.out
    (stage,) = told.of("stage")
    assert "7A01" in stage["text"]  # who it is
    assert "not homed" in stage["text"]  # nothing was moved
    assert told.of("scale")[0]["state"] == told.of("camera")[0]["state"] == "ok"
    assert told.of("dial")[0]["state"] == "note"  # its tip touches nothing
    assert told.of("broker")[0]["state"] == "ok"
    told = doctor(opened="scale_line")
    assert [one["state"] for one in told.of("scale")] == ["ok"]
    assert told.of("carriage_line")[-1]["state"] == "skipped"


def test_a_wrong_baud_rate_and_a_silent_device(doctor: Cli, hardware: Hardware) -> None:
    hardware.fault("counter", "wrong_baud", s=300)
    hardware.fault("indicator", "silence", s=300)
    try:
        told = doctor()
    finally:
        hardware.fault("counter", "clear")
        hardware.fault("indicator", "clear")
    assert told.code == exits.FAULT
    assert told.wrong == {"scale", "dial"}  # and the others were looked at
    (scale,), (dial,) = told.of("scale"), told.of("dial")
    assert "baud rate" in scale["text"] + scale["advice"]
    assert "switched on" in dial["advice"]
    assert "115200" in dial["advice"]


def test_another_board_than_the_file_says_and_other_settings(doctor: Cli) -> None:
    told = doctor(("letter: Z", "letter: Z\n    identity: 9B77"), opened="carriage_line")
    (stage,) = told.of("stage")
    assert (told.code, stage["state"]) == (exits.FAULT, "wrong")
    assert "7A01" in stage["text"]
    assert "9B77" in stage["text"]
    told = doctor(
        ("    identity: 9B77\n", ""), ("top_speed_um_s: 4000", "top_speed_um_s: 9000"), opened="carriage_line"
    )
    (stage,) = told.of("stage")
    assert "top_speed_um_s" in stage["text"]
    assert "$112=540" in stage["advice"]  # what to write where


def test_ports_that_are_not_there_or_no_ports(doctor: Cli, tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("", encoding="utf-8")
    (tmp_path / "gone").symlink_to("/dev/ttyUSB77")
    told = doctor(
        ('"run/counter"', '"./plain"'),
        ('"run/indicator"', '"./gone"'),
        ('port: "run/board"', 'match: {usb_serial: "X"}'),
    )
    assert told.wrong == {"scale_line", "indicator_line", "carriage_line"}
    assert "is no port" in told.of("scale_line")[0]["text"]
    assert "leads to /dev/ttyUSB77, which is not there" in told.of("indicator_line")[0]["text"]
    assert "No port has usb_serial X" in told.of("carriage_line")[0]["text"]
    assert told.of("camera")[0]["state"] == "ok"


def test_a_dead_camera_and_a_broker_that_is_away(doctor: Cli) -> None:
    with socket.socket() as nobody:
        nobody.bind(("127.0.0.1", 0))  # bound, and nobody listens
        port = nobody.getsockname()[1]
        told = doctor(("broker: embedded", f"broker: 'mqtt://127.0.0.1:{port}'"), opened="scale_line")
    assert told.wrong == {"broker"}
    (broker,) = told.of("broker")
    assert f"127.0.0.1:{port}" in broker["text"]
    assert broker["advice"]


AS_NOBODY = """
import json, os, sys
from benchd.commissioning import ports
if os.geteuid() == 0:
    os.setgroups([]), os.setgid(65534), os.setuid(65534)
print(json.dumps([one.as_json() for one in ports.port("board", sys.argv[1], (), pinned=True)]))
"""


def test_a_port_of_another_group() -> None:
    """As somebody else than the owner of the port, or with the port taken from its owner."""
    master, slave = os.openpty()
    name = os.ttyname(slave)
    if os.geteuid() == 0:
        os.chown(name, 0, next(group.gr_gid for group in grp.getgrall() if 0 < group.gr_gid < 1000))
    os.chmod(name, 0o660 if os.geteuid() == 0 else 0)
    group = grp.getgrgid(os.stat(name).st_gid).gr_name
    try:
        done = subprocess.run(
            [sys.executable, "-c", AS_NOBODY, name],
            capture_output=True,
            text=True,
            check=True,
            stdin=subprocess.DEVNULL,
        )
    finally:
        os.close(master)
        os.close(slave)
    (found,) = json.loads(done.stdout)
    assert (found["what"], found["state"]) == ("board", "wrong")
    assert f"may not use {name}" in found["text"]
    assert group in found["text"]
    if os.geteuid() == 0:
        assert f"usermod -aG {group}" in found["advice"]
    assert "udevadm control --reload" in found["advice"]
    assert str(examples_folder() / "machine" / "60-benchd.rules") in found["advice"]


def test_the_rule_that_the_doctor_speaks_of_is_shipped() -> None:
    text = (examples_folder() / "machine" / "60-benchd.rules").read_text(encoding="utf-8")
    rules = [line for line in text.splitlines() if line and not line.startswith("#")]
    assert any('KERNEL=="ttyUSB[0-9]*"' in rule and 'GROUP="dialout"' in rule for rule in rules)
    for rule in rules:  # each is a list of matches and assignments; the first of them a match
        parts = [part.strip() for part in rule.split(",")]
        assert all(part.endswith('"') and ("==" in part or "=" in part) for part in parts)
        assert parts[0].startswith("SUBSYSTEM==")


FULL = """
import resource, sys
from benchd.cli.main import main
import benchd.commissioning.examination
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, resource.getrlimit(resource.RLIMIT_FSIZE)[1]))
sys.exit(main(["doctor", "--json"]))
"""


def test_a_full_disk(tmp_path: Path) -> None:
    """A limit on the size of files stands for it, as mounting a small one is not everybody's right."""
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path / "xdg")}
    done = subprocess.run(
        [sys.executable, "-c", FULL], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
    )
    told = Told(done.returncode, done.stdout, done.stderr)
    assert told.code == exits.FAULT, told
    assert told.wrong == {"disk"}
    assert "Nothing can be written in" in told.of("disk")[0]["text"]
    assert list(tmp_path.iterdir()) == []


def test_a_clock_that_is_behind(cli: Cli, tmp_path: Path) -> None:
    """A file from tomorrow stands for a clock that has stopped: nothing else can be told from it."""
    assert cli("new", *LEAST).code == exits.DONE
    path = tmp_path / "bench.yaml"
    ahead = path.stat().st_mtime + 86400.0
    os.utime(path, (ahead, ahead))
    told = cli("doctor", "--json")
    assert told.wrong == {"clock", "carriage_line"}
    (clock,) = told.of("clock")
    assert "bench.yaml is of" in clock["text"]
    assert "the clock is behind" in clock["text"]
    assert "timedatectl" in clock["advice"]


def test_a_clock_behind_the_record() -> None:
    (found,) = machine.clock(1.9e9, [ROOT / "pyproject.toml"], ["2031-04-05T09:12:44Z"])
    assert found.state == "wrong"
    assert "the last entry of the record is of 2031-04-05 09:12:44 UTC" in found.text


def test_a_broken_bench_file_is_told_and_the_machine_is_looked_at(cli: Cli, tmp_path: Path) -> None:
    (tmp_path / "bench.yaml").write_text("bench: x\nroles: {}\n", encoding="utf-8")
    told = cli("doctor", "--json", "--open", "all")
    assert told.code == exits.REFUSED
    assert told.wrong == {"bench file"}
    assert told.of("disk")[0]["state"] == "ok"
    assert told.of("ports")[0]["state"] == "skipped"
    text = cli("doctor").out
    assert "WRONG  bench file:" in text
    assert "not looked at." in text


def test_a_move_is_refused_where_no_daemon_would_make_it(cli: Cli) -> None:
    assert cli("doctor", "--move-um", "5").code == exits.USAGE
    told = cli("doctor", "--move-um", "200", "--json")
    assert told.of("um_per_unit")[0]["state"] == "skipped"
