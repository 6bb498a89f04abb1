"""Whether the ports of a bench are there and may be used. None is opened."""

from __future__ import annotations

import grp
import os
import pwd
import stat
from collections.abc import Sequence
from pathlib import Path

from benchd.commissioning.diagnosis import Found
from benchd.commissioning.seen import SeenPort, identity_of
from benchd.commissioning.shipped import how_to_install_the_rule


def port(what: str, path: str, seen: Sequence[SeenPort], *, pinned: bool) -> list[Found]:
    """One serial port. `pinned`: it was found by what identifies it."""
    there = Path(path)
    if not there.exists():
        known = ", ".join(one.path for one in seen) or "none"
        where = (
            f"{path} leads to {there.readlink()}, which is not there" if there.is_symlink() else f"{path} is not there"
        )
        return [
            Found(what, "wrong", f"{where}.", f"Plug it in, or write the right port; seen on this machine: {known}.")
        ]
    about = there.stat()
    if not stat.S_ISCHR(about.st_mode):
        return [Found(what, "wrong", f"{path} is no port.", "Write the path of a serial port, such as /dev/ttyUSB0.")]
    if not os.access(path, os.R_OK | os.W_OK):
        return [_not_allowed(what, path, about)]
    found = [Found(what, "ok", f"{path} is there and may be opened.")]
    match = identity_of(path, seen)
    if match and not pinned:
        ((key, value),) = match.items()
        text = f"{path} is a name that changes when things are plugged in otherwise."
        advice = f'Write `match: {{{key}: "{value}"}}` in the place of `port`: it is then found by its adapter.'
        found.append(Found(what, "note", text, advice))
    return found


def _not_allowed(what: str, path: str, about: os.stat_result) -> Found:
    group, user = _group(about.st_gid), _user(os.geteuid())
    text = f"You ({user}) may not use {path}: it is for {_user(about.st_uid)} and the group {group}."
    if about.st_mode & (stat.S_IRGRP | stat.S_IWGRP) != stat.S_IRGRP | stat.S_IWGRP:
        return Found(
            what,
            "wrong",
            text,
            f"Its group may not use it either. The rule that comes with benchd: {how_to_install_the_rule()}",
        )
    if about.st_gid == 0:  # whoever is in that group may do more than use a port
        return Found(what, "wrong", text, f"The rule that comes with benchd: {how_to_install_the_rule()}")
    if _listed_in(user, about.st_gid):
        return Found(what, "wrong", text, f"You are in {group} since you logged in: log out and in again.")
    advice = f"`sudo usermod -aG {group} {user}`, then log out and in again. Or the rule that comes with benchd: "
    return Found(what, "wrong", text, advice + how_to_install_the_rule())


def _listed_in(user: str, gid: int) -> bool:
    try:
        return user in grp.getgrgid(gid).gr_mem and gid not in os.getgroups()
    except KeyError:
        return False


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return str(gid)


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"
