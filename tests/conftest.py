"""What holds for every test."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(scope="session", autouse=True)
def _locks_of_their_own(tmp_path_factory: pytest.TempPathFactory) -> None:
    """The number of a pseudo-terminal that one worker gave back is given to another, who is then not its holder."""
    os.environ["XDG_RUNTIME_DIR"] = str(tmp_path_factory.mktemp("xdg"))
