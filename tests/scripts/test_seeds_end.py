"""Several demos at once: where one fails, or somebody interrupts, the others are ended and it is told which."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

SEEDS = Path(__file__).resolve().parents[2] / "scripts" / "seeds.py"
PER_BENCH = ("demo_bench.py", "benchd-sim up", "benchd up")

pytestmark = pytest.mark.stack


@pytest.fixture
def seeds() -> Iterator[subprocess.Popen[str]]:
    """Two demos under way, each with its hardware and its daemon."""
    command = [sys.executable, str(SEEDS), "--seeds", "2", "--at-once", "2", "--pace", "5"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as running:
        yield running
        running.kill()


def calls(process: psutil.Process) -> str:
    try:
        return " ".join(process.cmdline())
    except psutil.Error:
        return ""


def under_way(seeds: subprocess.Popen[str]) -> list[psutil.Process]:
    """All processes below it, once both benches are whole."""
    ends = time.monotonic() + 60
    while time.monotonic() < ends:
        below = psutil.Process(seeds.pid).children(recursive=True)
        if all(sum(part in calls(one) for one in below) == 2 for part in PER_BENCH):
            return below
        assert seeds.poll() is None
        time.sleep(0.1)
    pytest.fail("the benches did not come up")


def alive(processes: list[psutil.Process]) -> list[str]:
    """Which of them still run; one that waits to be reaped does not."""
    found = []
    for one in processes:
        try:
            if one.status() != psutil.STATUS_ZOMBIE:
                found.append(calls(one))
        except psutil.NoSuchProcess:
            continue
    return found


def all_end(processes: list[psutil.Process]) -> bool:
    ends = time.monotonic() + 10
    while alive(processes) and time.monotonic() < ends:
        time.sleep(0.1)
    return not alive(processes)


def test_one_that_fails_is_named_with_its_last_words_and_ends_the_others(seeds: subprocess.Popen[str]) -> None:
    processes = under_way(seeds)
    (second,) = (one for one in processes if "demo_bench.py" in calls(one) and "--seed 2 " in calls(one))
    second.terminate()
    out, said = seeds.communicate(timeout=60)
    assert seeds.returncode == 3
    assert "The demo of seed 2 ended with 130, having said last:\n  " in said
    assert "A simulated lens bench" in said
    assert "seed 1" not in said
    assert "Traceback" not in said
    assert out == ""
    assert all_end(processes), alive(processes)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_it_leaves_nothing_running(seeds: subprocess.Popen[str], number: signal.Signals) -> None:
    processes = under_way(seeds)
    seeds.send_signal(number)
    out, said = seeds.communicate(timeout=60)
    assert seeds.returncode == 130
    assert said == "Interrupted; the demos under way were ended.\n"
    assert out == ""
    assert all_end(processes), alive(processes)
