"""A machine on which nothing is installed yet: what the scripts need of it is told in one sentence.

Debian's bare `python3` has no `ensurepip`; a module of that name that cannot be imported stands for it. The commands on
the path are those of a person who may not install packages: there is no `apt-get` among them.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
WITHOUT_VENV = ("ensurepip.py", "raise ModuleNotFoundError('ensurepip')\n")
OLD = ("sitecustomize.py", "import sys\nsys.version_info = (3, 9, 2, 'final', 0)\n")


def sourced(folder: Path, module: tuple[str, str]) -> subprocess.CompletedProcess[str]:
    """`scripts/venv.sh` in a fresh clone."""
    for name in ("scripts/venv.sh", "requirements.lock", "pyproject.toml"):
        (folder / name).parent.mkdir(exist_ok=True)
        shutil.copy(ROOT / name, folder / name)
    commands = folder / "bin"
    commands.mkdir()
    for name in ("bash", "cat", "cut", "dirname", "id", "sha256sum"):
        (commands / name).symlink_to(str(shutil.which(name)))
    (commands / "python3").symlink_to(sys.executable)
    modules = folder / "modules"
    modules.mkdir()
    (modules / module[0]).write_text(module[1], encoding="utf-8")
    environment = {"PATH": str(commands), "PYTHONPATH": str(modules), "PIP_NO_INDEX": "1"}
    return subprocess.run(
        ["bash", str(folder / "scripts" / "venv.sh")],
        capture_output=True, text=True, timeout=60, check=False, env=environment,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("module", "said"),
    [
        (WITHOUT_VENV, "Install the package python3-venv: without it python3 makes no virtual environment."),
        (OLD, "benchd needs 3.11 or later."),
    ],
)
def test_what_is_missing_is_named_and_nothing_is_half_made(tmp_path: Path, module: tuple[str, str], said: str) -> None:
    done = sourced(tmp_path, module)
    assert done.returncode == 1
    first, *rest = done.stderr.strip().splitlines()
    assert first.startswith("Installing into .venv")
    (told,) = rest
    assert told.endswith(said)
    assert done.stdout == ""
    assert not (tmp_path / ".venv").exists()
