"""What can end a line sent to a G-code controller, other than 'ok'; the drivers make of it what their callers know."""

from __future__ import annotations

from benchd.devices import DeviceError, LinkTimeout


class LineRefused(DeviceError):
    """`error:N`: the controller did not carry the line out."""

    def __init__(self, number: int, text: str, **kwargs: object) -> None:
        super().__init__(text, **kwargs)  # type: ignore[arg-type]
        self.number = number


class LineAlarm(DeviceError):
    """`ALARM:N` came before the answer."""

    def __init__(self, number: int, text: str, **kwargs: object) -> None:
        super().__init__(text, **kwargs)  # type: ignore[arg-type]
        self.number = number


class LineReset(DeviceError):
    """The controller was reset; the line is gone."""


class LineHeld(DeviceError):
    """The controller is held by its safety door or a feed hold, and looks at no line; this one still waits in it."""


class LineUnanswered(LinkTimeout):
    """No 'ok' came although the controller is idle; whether the line was carried out must be seen by its effect."""
