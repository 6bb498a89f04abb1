"""The ends of cables in memory: serial lines, a camera's HTTP and a broker, on one event loop with both their sides.

They are found by entry point, as every link, driver and carrier is: `installed` puts the package `site` on the path.
"""

from __future__ import annotations

import sys
from pathlib import Path

SITE = Path(__file__).parent / "site"


def installed() -> None:
    """Let the registries find the ends; idempotent."""
    if str(SITE) not in sys.path:
        sys.path.insert(0, str(SITE))
