"""What a bench file says of a link by VISA: which resource, and how its serial line is set."""

from __future__ import annotations

import re
from typing import Literal, Self

from pydantic import Field, model_validator

from benchd_drivers.link.wire import StreamConfig

SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:\s\[\]]+)::(?P<port>\d{1,5})::SOCKET", re.IGNORECASE)
SERIAL = re.compile(r"ASRL(?P<path>/[^:\s]+)::INSTR", re.IGNORECASE)
USB = re.compile(r"USB\d*::\w+::\w+::[^:\s]+(::\d+)?::INSTR", re.IGNORECASE)
"""With the serial number: without one, two instruments of a model could be taken for each other."""
_FORMS = "TCPIP::host::port::SOCKET, ASRL/dev/serial/by-id/NAME::INSTR or USB::0x1234::0x5678::SERIAL::INSTR"
_OF_SERIAL = ("baud", "stop_bits", "flow")

Flow = Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"]


class VisaConfig(StreamConfig):
    """`resource` is a VISA resource string; `baud`, `stop_bits` and `flow` (handshake) are of a serial line (ASRL)."""

    resource: str
    baud: int = Field(default=9600, ge=50, le=12_000_000)
    stop_bits: Literal[1, 2] = 1
    flow: Flow = "none"

    @model_validator(mode="after")
    def _known(self) -> Self:
        if socket := SOCKET.fullmatch(self.resource):
            if not 0 < int(socket["port"]) <= 65535:
                raise ValueError("resource: a port is 1 to 65535")
        elif not (SERIAL.fullmatch(self.resource) or USB.fullmatch(self.resource)):
            raise ValueError(f"resource is of the form {_FORMS}")
        if not SERIAL.fullmatch(self.resource):
            for key in sorted(self.model_fields_set.intersection(_OF_SERIAL)):
                raise ValueError(f"{key}: nothing here; it belongs to a serial line, ASRL/..::INSTR")
        return self
