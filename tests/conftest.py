"""What holds for every test."""

from __future__ import annotations

import gc
import os
import signal
from pathlib import Path

import pytest

# Rooms whose files take longest: begun last, one of them would keep a single worker busy after all others are done.
# First of all those that go by the clock: what computes all the time would hold up boards and brokers that have to
# answer in time.
SLOW_FIRST = (
    "stack",
    "faults",
    "scripts",
    "cli",
    "commissioning",
    "plugins",
    "test_types_and_rooms.py",
    "study",
    "virtual",
    "procedures",
    "imaging",
)
# These all but wait, for timers of simulated hardware: spread among the others, they leave them the cores.
WAITING = ("simulators", "drivers", "remote", "client")
SLOW_TO_A_WAITING = 2


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files into the order in which workers begin them."""
    files: dict[Path, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(item.path, []).append(item)
    waiting = [path for path in files if _room(path) in WAITING]
    others = sorted((path for path in files if _room(path) not in WAITING), key=_turn)
    ordered: list[Path] = []
    while waiting or others:
        ordered += others[:SLOW_TO_A_WAITING] + waiting[:1]
        del others[:SLOW_TO_A_WAITING], waiting[:1]
    items[:] = [item for path in ordered for item in files[path]]


def _room(path: Path) -> str:
    return path.relative_to(Path(__file__).parent).parts[0]


def _turn(path: Path) -> int:
    room = _room(path)
    return SLOW_FIRST.index(room) if room in SLOW_FIRST else len(SLOW_FIRST)


def pytest_collection_finish() -> None:
    """Thousands of collected tests stay to the end, so that the garbage collector need not look through them again."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _locks_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> None:
    """The number of a pseudo-terminal that one worker gave back is given to another, who is then not its holder."""
    os.environ["XDG_RUNTIME_DIR"] = str(tmp_path_factory.mktemp("xdg"))


@pytest.fixture(scope="session", autouse=True)
def _no_width_of_their_own() -> None:
    """Workers of the tests are given the width of somebody's terminal, which whatever they start would go by."""
    os.environ.pop("COLUMNS", None)


@pytest.fixture(scope="session", autouse=True)
def _signals_as_from_a_terminal() -> None:
    """A shell starts what runs in the background deaf to these; daemons that tests start would be so, too."""
    for number in (signal.SIGINT, signal.SIGQUIT, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler if number is signal.SIGINT else signal.SIG_DFL)
