"""The kind of link `visa`: an instrument by its VISA resource string, through pyvisa and its pure Python library.

Sockets and serial lines are streams: VISA opens and sets them, their bytes go by the thread of every other port. The
library's own reading would not do: it takes a connection that the instrument has closed for one that is silent, and
drops what came before a time-out. USB is a matter of whole messages (`visa_messages`).
"""

from __future__ import annotations

import os
import socket
from typing import Any

from benchd.devices import Link, LinkError
from benchd_drivers.link.inflow import Inflow, of_baud
from benchd_drivers.link.thread import OpenPort
from benchd_drivers.link.visa_config import SERIAL, SOCKET, USB, VisaConfig
from benchd_drivers.link.visa_messages import VisaMessages
from benchd_drivers.link.wire import PortLink

OPEN_MS = 5000


class VisaLink(PortLink):
    """A stream: `TCPIP::host::port::SOCKET` or `ASRL/dev/..::INSTR`."""

    Config = VisaConfig

    def __init__(self, name: str, config: VisaConfig) -> None:
        super().__init__(name, config)
        self._visa = config

    @classmethod
    def create(cls, name: str, config: VisaConfig) -> Link:
        """The link, not yet open; of whole messages where the resource is on USB."""
        return VisaMessages(name, config) if USB.fullmatch(config.resource) else cls(name, config)

    def _inflow(self) -> Inflow:
        return of_baud(self._visa.baud) if SERIAL.fullmatch(self._visa.resource) else super()._inflow()

    def _where(self) -> str:
        """As other kinds of link call the same port, so that two links to it exclude each other."""
        if line := SERIAL.fullmatch(self._visa.resource):
            return line["path"]
        over = SOCKET.fullmatch(self._visa.resource)
        assert over is not None
        return f"socket://{over['host']}:{over['port']}"

    def _open_port(self, where: str) -> OpenPort:
        import pyvisa

        if over := SOCKET.fullmatch(self._visa.resource):
            _demand_host(over["host"], self.name)
        resource: Any = pyvisa.ResourceManager("@py").open_resource(self._visa.resource, open_timeout=OPEN_MS)
        try:
            return _VisaPort(resource, self._visa)
        except BaseException:
            resource.close()
            raise


class _VisaPort:
    """What the thread of a port needs of an open resource. Raises OSError where nobody is at the other end."""

    def __init__(self, resource: Any, config: VisaConfig) -> None:
        self._resource = resource
        interface = resource.visalib.sessions[resource.session].interface  # the socket, or pyserial's port
        if isinstance(interface, socket.socket):
            if number := interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):  # a refusal counts as open to VISA
                raise OSError(number, os.strerror(number))
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        else:
            from pyvisa.constants import ControlFlow, StopBits

            resource.baud_rate = config.baud
            resource.stop_bits = StopBits.one if config.stop_bits == 1 else StopBits.two
            resource.flow_control = ControlFlow[config.flow]
            interface.exclusive = True
        self._fd: int = interface.fileno()

    def fileno(self) -> int:
        return self._fd

    def close(self) -> None:
        self._resource.close()


def _demand_host(host: str, device: str) -> None:
    """The library leaves a socket behind where the name is unknown."""
    try:
        known = bool(socket.getaddrinfo(host, None, socket.AF_INET))
    except (OSError, UnicodeError):
        known = False
    if not known:
        raise LinkError(f"No host is called {host}.", advice="Check the name, or write its address.", device=device)
