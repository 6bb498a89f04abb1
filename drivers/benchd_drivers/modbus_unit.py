"""One device on a Modbus line: read with patience, written once, and known by what it tells of itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from benchd.devices import DeviceMismatch, Identity, Link, LinkGarbled, LinkTimeout, now_s
from benchd_drivers.modbus_asker import ModbusRefused
from benchd_drivers.modbus_link import ModbusLink
from benchd_drivers.modbus_question import Question
from benchd_drivers.modbus_registers import Command, Expected, Setting, Told

TRIES = 3
"""Asking changes nothing."""
LATER = (5, 6)
"""Exceptions by which a device says that it has no time now."""
QUEUE_S = 2.0


class UnitConfig(BaseModel):
    """What every Modbus device states: `unit_id` is its address on the line, `identity` a register that tells it from
    others, looked at whenever it is opened."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit_id: int = Field(ge=0, le=255)
    identity: Expected | None = None


class Unit:
    """The device `name` of the bench file on its line."""

    def __init__(self, name: str, config: UnitConfig, link: Link | None) -> None:
        self.name = name
        self.link = ModbusLink.of(link, name)
        self.link.check_unit(config.unit_id)
        self.unit_id = config.unit_id
        self._identity = config.identity
        self.answers_within_s = 2 * TRIES * self.link.timeout_s + QUEUE_S
        """A question and an echo for each try, and what others ask meanwhile."""

    async def identify(self) -> Identity:
        """Raises DeviceMismatch, and what `read` raises."""
        if self._identity is None:
            return Identity()
        told, _ = await self.read(self._identity)
        if told != self._identity.value:
            raise DeviceMismatch(
                f"{self.name}: unit {self.unit_id} on link {self.link.name} tells {told:.12g} in register "
                f"{self._identity.address}, where the bench file has {self._identity.value:.12g}.",
                advice="Check which cable is in which port, and the addresses set at the devices.",
                device=self.name,
                frames=self.link.recent,
            )
        return Identity(model=f"{told:.12g}")

    async def read(self, told: Told) -> tuple[float, float]:
        """The number that stands there, and the middle of the exchange (monotonic). Raises as `ask_again`."""
        reply, t_mono = await self.ask_again(told.question(self.unit_id))
        return told.number(reply.registers), t_mono

    async def ask_again(self, question: Question) -> tuple[Any, float]:
        """A question that changes nothing, or may be repeated, a few times where the answer is missed.

        Raises LinkTimeout, LinkGarbled, LinkError, ModbusRefused.
        """
        left = TRIES
        while True:
            left -= 1
            began = now_s()
            try:
                reply = await self.link.ask(question)
            except (LinkTimeout, LinkGarbled):
                if not left or not self.link.connected:
                    raise
            except ModbusRefused as refused:
                if not left or refused.exception not in LATER:
                    raise
            else:
                return reply, (began + now_s()) / 2

    async def set(
        self, setting: Setting, number: float, *, first: bool = False, go: Callable[[], None] = lambda: None
    ) -> None:
        """Write a number once."""
        await self.link.ask(setting.question(self.unit_id, number), first=first, go=go)

    async def do(self, command: Command, *, first: bool = False, go: Callable[[], None] = lambda: None) -> None:
        """Write a command once; what has it done is the last thing that is written."""
        for question in command.questions(self.unit_id):
            await self.link.ask(question, first=first, go=go)
