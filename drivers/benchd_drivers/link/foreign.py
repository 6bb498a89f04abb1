"""The one place where errors of the operating system and of pyserial become errors of benchd."""

from __future__ import annotations

import errno

from benchd.devices import LinkError

_ADVICE = {
    errno.ENOENT: "Check that it is plugged in and that the bench file names the right port.",
    errno.ENODEV: "Check that it is plugged in and that the bench file names the right port.",
    errno.EACCES: "Give your user the port: usually membership of the group 'dialout', then log in again.",
    errno.EPERM: "Give your user the port: usually membership of the group 'dialout', then log in again.",
    errno.EBUSY: "Another program has it open; close that one.",
    errno.EAGAIN: "Another program has it open; close that one.",
    errno.ECONNREFUSED: "Nothing listens at that address; check host, port and that the device is on.",
    errno.EHOSTUNREACH: "Check the network and the address.",
    errno.ETIMEDOUT: "Check the network and the address.",
}


def mapped(error: BaseException, what: str, device: str) -> LinkError:
    """A LinkError that says `what` failed and why; raise it `from error`.

    pyserial wraps the original, sometimes keeping its number, sometimes only its text.
    """
    number = _errno(error)
    if number == errno.EIO:
        reason = "it is gone (unplugged, or its power failed)"
    elif number is not None and number > 0:  # names that are not found have numbers of their own, below 0
        reason = _words(number)
    else:
        reason = str(error) or type(error).__name__
    return LinkError(f"{what}: {reason}.", advice=_ADVICE.get(number or 0, ""), device=device)


def _errno(error: BaseException | None) -> int | None:
    depth = 0
    while error is not None and depth < 5:
        number = getattr(error, "errno", None)
        if isinstance(number, int):
            return number
        error, depth = error.__cause__ or error.__context__, depth + 1
    return None


def _words(number: int) -> str:
    import os

    return os.strerror(number)[:1].lower() + os.strerror(number)[1:]
