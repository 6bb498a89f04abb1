"""What an axis says to its drive, and what the drive tells: status and place together, or one after the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchd.devices import Link, now_s
from benchd_drivers.modbus_axis_config import ModbusAnyAxisConfig
from benchd_drivers.modbus_question import Question
from benchd_drivers.modbus_registers import Told
from benchd_drivers.modbus_unit import Unit


@dataclass(frozen=True, slots=True)
class Status:
    """`at` is in the axis's unit; `t_mono` is when it was so: the middle of the exchange that told the flags."""

    moving: bool
    homed: bool
    fault: bool
    limit: bool
    at: float
    t_mono: float


class Motors:
    """Whose the drives on one link are."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._owners: dict[int, str] = {}

    def take(self, unit_id: int, device: str) -> None:
        """The drive at an address, for one axis. Raises ValueError where another device has that one."""
        if self._owners.setdefault(unit_id, device) != device:
            raise ValueError(
                f"unit_id: one that no other axis on link {self._link.name} has; {unit_id} is that of "
                f"{self._owners[unit_id]}, and two devices would move one motor. State the address that is set at the "
                f"drive of {device}"
            )


class Drive:
    """One drive. `on_status` is told each status, whoever asked for it."""

    def __init__(
        self, name: str, config: ModbusAnyAxisConfig, link: Link | None, on_status: Callable[[Status], None]
    ) -> None:
        self.unit = Unit(name, config, link)
        self.link = self.unit.link
        self.link.shared(Motors, Motors).take(self.unit.unit_id, name)
        self._config = config
        self._on_status = on_status
        self._together = _together(config.status, config.position)

    async def status(self, *, patient: bool = True) -> Status:
        """As it is now; `patient` asks again where the answer is missed. Raises LinkError, ModbusRefused."""
        if self._together is not None:
            registers, t_mono = await self._read(*self._together, patient)
            first = self._together[1]
            flags, place = (
                told.number(registers[told.address - first :][: told.count])
                for told in (self._config.status, self._config.position)
            )
        else:
            flags, t_mono = await self._number(self._config.status, patient)
            place, _ = await self._number(self._config.position, patient)
        config, word = self._config, int(flags)
        status = Status(
            config.moving.stands(word),
            config.homed.stands(word),
            config.fault.stands(word),
            any(flag.stands(word) for flag in config.limit),
            config.place_of(place),
            t_mono,
        )
        self._on_status(status)
        return status

    async def _number(self, told: Told, patient: bool) -> tuple[float, float]:
        registers, t_mono = await self._read(told.function, told.address, told.count, patient)
        return told.number(registers), t_mono

    async def _read(self, function: int, address: int, count: int, patient: bool) -> tuple[list[int], float]:
        question = Question(self.unit.unit_id, function, address, count)
        if patient:
            reply, t_mono = await self.unit.ask_again(question)
            return reply.registers, t_mono
        began = now_s()
        reply = await self.link.ask(question)
        return reply.registers, (began + now_s()) / 2

    async def set_off(self, target: float, speed_count: float, go: Callable[[], None]) -> None:
        """Speed, target, and what sets it off, each once, and none of them where `go` raises."""
        config = self._config
        await self.unit.set(config.speed, speed_count, go=go)
        await self.unit.set(config.target, config.count_of(target), go=go)
        if config.move is not None:
            await self.unit.do(config.move, go=go)

    async def stop(self) -> None:
        """The stop command once, ahead of all that waits."""
        await self.unit.do(self._config.stop, first=True)


def _together(status: Told, position: Told) -> tuple[int, int, int] | None:
    """Function, address and count of both in one question where they adjoin; None where they do not."""
    first, second = sorted((status, position), key=lambda told: told.address)
    if status.table != position.table or first.address + first.count != second.address:
        return None
    return status.function, first.address, first.count + second.count
