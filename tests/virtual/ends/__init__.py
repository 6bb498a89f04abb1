"""The ends of cables in memory: serial lines, a camera's HTTP and a broker, on one event loop with both their sides.

They are found by entry point, as every link, driver and carrier is: inside `installed` the package `site` is on the
path. What an earlier test had the registry of detectors find in this process is looked for again.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchd.detectors.registry import DETECTORS

SITE = Path(__file__).parent / "site"


@contextmanager
def installed() -> Iterator[None]:
    """Let the registries find the ends, and nobody after it."""
    sys.path.insert(0, str(SITE))
    _look_again()
    try:
        yield
    finally:
        sys.path.remove(str(SITE))
        _look_again()


def _look_again() -> None:
    """Have the registry forget what it found."""
    for kept in ("_points", "_ours"):
        vars(DETECTORS).pop(kept, None)
    DETECTORS._fit.clear()
