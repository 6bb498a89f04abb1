"""What holds for every test."""

from __future__ import annotations

import gc
import os
import signal
from collections.abc import Sequence
from functools import partial
from pathlib import Path

import pytest

# Within each kind the rooms whose files take longest: begun last, one of them would keep a single worker busy after all
# others are done.
BY_THE_CLOCK = (
    "drivers",
    "stack",
    "faults",
    "scripts",
    "cli",
    "commissioning",
    "simulators",
    "plugins",
    "remote",
    "client",
)
"""These mostly wait, for hardware, brokers and processes: what reckons goes beside them from the beginning, so that the
cores are never idle, and never more than about half of the workers reckon at once, which would hold up what has to
answer in time."""
RECKONING = ("test_types_and_rooms.py", "study", "virtual", "procedures", "imaging")


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files into the order in which workers begin them."""
    files: dict[Path, list[pytest.Item]] = {}
    for item in items:
        files.setdefault(item.path, []).append(item)
    kinds = [
        sorted((path for path in files if (_room(path) in BY_THE_CLOCK) == waits), key=partial(_turn, first))
        for waits, first in ((True, BY_THE_CLOCK), (False, RECKONING))
    ]
    # Spread evenly: each file has its place between 0 and 1 among its own kind.
    placed = [((number + 0.5) / len(kind), path) for kind in kinds for number, path in enumerate(kind)]
    items[:] = [item for _, path in sorted(placed) for item in files[path]]


def _room(path: Path) -> str:
    return path.relative_to(Path(__file__).parent).parts[0]


def _turn(first: Sequence[str], path: Path) -> int:
    room = _room(path)
    return first.index(room) if room in first else len(first)


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
