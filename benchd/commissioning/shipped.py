"""Files that come with benchd to be copied: examples, and the udev rule."""

from __future__ import annotations

from pathlib import Path

from benchd.errors import BenchdError

RULE = "60-benchd.rules"
RULES = Path("/etc/udev/rules.d")


def examples_folder() -> Path:
    """Where they are: beside the installed package, or `configs` of a checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "examples", package.parent / "configs"):
        if folder.is_dir():
            return folder
    raise BenchdError("device_fault", f"The examples are missing from {package}.", advice="Install benchd again.")


def how_to_install_the_rule() -> str:
    """The commands that put the udev rule in force."""
    if (RULES / RULE).exists():
        return f"{RULES / RULE} is installed already: unplug it and plug it in again, or begin a new session."
    rule = examples_folder() / "machine" / RULE
    return (
        f"sudo cp {rule} {RULES}/ && sudo udevadm control --reload && sudo udevadm trigger --subsystem-match=tty; then "
        "unplug it and plug it in again."
    )
