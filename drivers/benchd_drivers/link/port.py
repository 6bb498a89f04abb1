"""The kinds of link: a serial port, and a TCP socket."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from benchd_drivers.link.finding import Match, find
from benchd_drivers.link.inflow import Inflow, of_baud
from benchd_drivers.link.network import URL, open_socket
from benchd_drivers.link.thread import OpenPort
from benchd_drivers.link.wire import PortLink, StreamConfig


class SerialLink(PortLink):
    """A serial port, by path or by what identifies its adapter. Opening it resets many boards."""

    class Config(StreamConfig):
        """`port` is a path (a link to a device file is followed at each open); `match` finds it by identity."""

        port: str | None = Field(default=None, min_length=1)
        match: Match | None = None
        baud: int = Field(default=115200, ge=50, le=12_000_000)

        @model_validator(mode="after")
        def _one(self) -> Self:
            if (self.port is None) == (self.match is None):
                raise ValueError("give either port or match")
            return self

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self._serial = config

    @classmethod
    def create(cls, name: str, config: Config) -> SerialLink:
        """The link, not yet open."""
        return cls(name, config)

    def _inflow(self) -> Inflow:
        return of_baud(self._serial.baud)

    def _where(self) -> str:
        if self._serial.match is not None:
            return find(self._serial.match, self.name)
        assert self._serial.port is not None
        return self._serial.port

    def _open_port(self, where: str) -> OpenPort:
        from serial import Serial

        return Serial(where, self._serial.baud, timeout=0, write_timeout=0, exclusive=True)


class TcpLink(PortLink):
    """A byte stream over TCP, as serial servers and network boards offer it: `socket://host:port`."""

    class Config(StreamConfig):
        """`url` is `socket://host:port`."""

        url: str = Field(pattern=URL)

    def __init__(self, name: str, config: Config) -> None:
        super().__init__(name, config)
        self._url = config.url

    @classmethod
    def create(cls, name: str, config: Config) -> TcpLink:
        """The link, not yet open."""
        return cls(name, config)

    def _where(self) -> str:
        return self._url

    def _open_port(self, where: str) -> OpenPort:
        return open_socket(where)
