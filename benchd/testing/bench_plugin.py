"""`pytest --bench FILE`: the conformance kit on the devices of a bench file, its hardware at the other end.

What is not allowed by name is read, opened and closed, and neither moves nor lights up.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:  # heavy, and this module is looked at whenever pytest runs
    from benchd.testing.bench_devices import BenchDevices

TESTS = Path(__file__).with_name("bench_contracts.py")
DEVICES: pytest.StashKey[BenchDevices] = pytest.StashKey()
NO_DEVICE = "no-device"
CAUTION = (
    "Keep hands, hair, sleeves and cables out of the way of what moves, and take lenses off. Do not look into lights. "
    "The emergency stop has to work without this computer: the switches in the bench file are read before each motion "
    "alone, and not while it lasts. A light goes to its safe level as it is opened. The rules of the place come first."
)


def pytest_addoption(parser: pytest.Parser) -> None:
    group = parser.getgroup("benchd", "drivers of benchd on their hardware")
    group.addoption("--bench", metavar="FILE", help="run the conformance kit on the devices of this bench file")
    group.addoption(
        "--bench-device",
        action="append",
        default=[],
        metavar="NAME",
        help="only this device of it; may be given several times",
    )
    group.addoption(
        "--bench-allow",
        action="append",
        default=[],
        metavar="NAME[=LOW..HIGH]",
        help="this axis may home and then move, within LOW..HIGH in its unit or over its whole travel; this light may "
        "go up to full light. Nothing else moves or lights up",
    )
    group.addoption(
        "--bench-hands",
        action="store_true",
        help="somebody stands at the bench and will be asked to pull cables and to plug them in again",
    )


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    path = config.getoption("--bench")
    if path is None:
        for option in ("--bench-device", "--bench-allow", "--bench-hands"):
            if config.getoption(option):
                raise pytest.UsageError(f"{option} says something about a bench: give its file by --bench FILE.")
        return
    from benchd.errors import Refused
    from benchd.files.problems import FileProblems
    from benchd.testing.bench_devices import BenchDevices, allowed

    if config.getoption("--bench-hands") and not sys.stdin.isatty():
        raise pytest.UsageError("--bench-hands asks at a terminal, and there is none: leave it out.")
    try:
        devices = BenchDevices.of_file(Path(path), config.getoption("--bench-device"))
        devices.allow([allowed(text) for text in config.getoption("--bench-allow")])
    except FileProblems as wrong:
        raise pytest.UsageError("\n".join(str(problem) for problem in wrong.problems)) from None
    except Refused as refused:
        raise pytest.UsageError(f"{refused.text} {refused.advice}".strip()) from None
    config.stash[DEVICES] = devices
    # Whoever tests a bench has no project whose file could say it, and no fixture here is wider than one test.
    warnings.filterwarnings("ignore", ".*asyncio_default_fixture_loop_scope", pytest.PytestDeprecationWarning)
    if config.args_source is not pytest.Config.ArgsSource.ARGS:
        config.args.clear()
    config.args.append(str(TESTS))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Contracts of kinds that this bench has no device of are left out: shown as skipped they would say nothing."""
    if DEVICES in config.stash:
        items[:] = [item for item in items if f"[{NO_DEVICE}" not in item.name]


def pytest_report_header(config: pytest.Config) -> list[str]:
    devices = config.stash.get(DEVICES, None)
    return [] if devices is None else [*devices.lines(), CAUTION]
