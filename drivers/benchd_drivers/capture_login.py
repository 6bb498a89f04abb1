"""The name and password that a camera asks for: they never stand in a bench file, an error or a log."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from urllib.parse import quote, urlsplit, urlunsplit

from benchd.devices import LinkError

LONGEST = 1024


def with_login(url: str, user: str, password_file: str, device: str) -> str:
    """The address as OpenCV takes it, secret and all: hand it on, show it to nobody. Raises LinkError."""
    parts = urlsplit(url)
    login = f"{quote(user, safe='')}:{quote(_secret(Path(password_file), device), safe='')}"
    return urlunsplit(parts._replace(netloc=f"{login}@{parts.netloc}"))


def _secret(path: Path, device: str) -> str:
    """The single line of a file that only its owner may read."""
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):
            raise _wrong(path, device, "is no plain file", "Put the password alone into a file of its own.")
        if about.st_mode & 0o077 or about.st_uid not in (os.geteuid(), 0):
            raise _wrong(path, device, "may be read by others", f"Make it yours, and run chmod 600 {path}.")
        with path.open("rb") as file:
            raw = file.read(LONGEST + 1)
    except OSError as error:
        why = f"cannot be read: {os.strerror(error.errno or 0).lower()}"
        raise _wrong(path, device, why, "Check password_file in the bench file.") from error
    secret = raw.decode("utf-8", "replace").removesuffix("\n").removesuffix("\r")
    if not secret or not secret.isprintable() or len(raw) > LONGEST:
        raise _wrong(path, device, "holds no password", "It holds the password alone, in one line of text.")
    return secret


def _wrong(path: Path, device: str, why: str, advice: str) -> LinkError:
    return LinkError(f"{device}: the file {path} {why}.", advice=advice, device=device)
