"""Faults of the world on demand; faults of the wire belong to the firmware."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from benchd_simulators.world.errors import HandRefused, number
from benchd_simulators.world.fitting import named

if TYPE_CHECKING:
    from benchd_simulators.world.world import World


def inject(world: World, name: str, value: object = True) -> None:
    """Bring about (or, with False, end) the fault `name`; raises `HandRefused` with a sentence."""

    def stall(on: bool) -> None:
        world.carriage.advance()
        world.carriage.stalled = on

    def lose(um: float) -> None:
        world.carriage.advance()
        world.carriage.pending_loss_um = abs(um)

    def jump(um: float) -> None:
        world.encoder.jump_um += um

    def restart() -> None:
        world.encoder.power_up()

    def wear(um: float) -> None:
        world.carriage.worn_um = abs(um)

    def stick(state: str | None) -> None:
        world.stuck_switch = state

    def beset(switches: set[str]) -> None:
        if value is False:
            switches.clear()
        else:
            switches.add(world.contacts.known(value))

    acts: dict[str, Callable[[], None]] = {
        "lose_steps": lambda: lose(number(value, "lose_steps")),
        "push": lambda: world.carriage.push(number(value, "push")),
        "stall": lambda: stall(bool(value)),
        "switch_stuck": lambda: stick("on" if value else None),
        "switch_never": lambda: stick("off" if value else None),
        "switch_scattered": lambda: wear(number(value, "switch_scattered")),
        "encoder_frozen": lambda: world.encoder.freeze(bool(value)),
        "encoder_jump": lambda: jump(number(value, "encoder_jump")),
        "encoder_reversed": lambda: world.encoder.reverse(bool(value)),
        "encoder_power_up": restart,
        "wire_cut": lambda: beset(world.contacts.cut),
        "contacts_scattered": lambda: beset(world.contacts.scattered),
    }
    act = acts.get(name)
    if act is None:
        raise HandRefused(f"There is no fault {name!r} in the world; there are {named(acts)}.")
    act()
