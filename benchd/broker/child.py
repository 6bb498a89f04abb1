"""Runs as a process of its own: becomes the broker, and dies with the process that started it.

    python -P child.py mosquitto PARENT_PID USER|- EXECUTABLE CONFIG
    python -P child.py iotcore   PARENT_PID -      -          CONFIG

The kernel is asked to kill this process when its parent dies. A change of user clears that setting, so the user is
changed first; mosquitto then does not run as root and changes nothing more. Imports nothing of benchd.
"""

from __future__ import annotations

import ctypes
import os
import pwd
import signal
import sys

PR_SET_PDEATHSIG = 1


def _become(user: str) -> None:
    entry = pwd.getpwnam(user)
    os.setgroups([])
    os.setgid(entry.pw_gid)
    os.setuid(entry.pw_uid)


def _die_with(parent: int) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0) != 0:
        sys.exit(f"prctl: {os.strerror(ctypes.get_errno())}")
    if os.getppid() != parent:  # it died before prctl took effect
        sys.exit("the parent process is gone")


def main(arguments: list[str]) -> None:
    """Become the broker; returns only by exiting."""
    kind, parent, user, executable, config = arguments
    if user != "-":
        _become(user)
    _die_with(int(parent))
    if kind == "mosquitto":
        os.execv(executable, [executable, "-c", config])
    import logging

    from iotcore import IotCoreBroker

    logging.basicConfig(level="WARNING", stream=sys.stderr)
    # rumqttd's spans come as ERROR records for every packet; panics go to stderr by themselves.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    IotCoreBroker(config_path=config).run_forever()


if __name__ == "__main__":
    main(sys.argv[1:])
