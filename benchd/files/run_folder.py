"""The folder of address files of running daemons, for the command line on the same machine."""

from __future__ import annotations

import os
from pathlib import Path


def run_folder() -> Path:
    """A folder of this user alone: below XDG_RUNTIME_DIR, else below /tmp."""
    base = os.environ.get("XDG_RUNTIME_DIR") or f"/tmp/benchd-{os.getuid()}"
    return Path(base) / "benchd"
