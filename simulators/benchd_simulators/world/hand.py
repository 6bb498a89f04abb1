"""The technician's hand: fits, removes, sets and measures, as a person does when prompted.

Commands are dictionaries with `do` (fit, remove, set, press, release, measure, look) and, but for a look, `what`;
answers are `{"ok": true, ...}` or `{"ok": false, "error": "one sentence"}`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from benchd_simulators.world import by_hand
from benchd_simulators.world.errors import HandRefused, number
from benchd_simulators.world.fitting import named

if TYPE_CHECKING:
    from benchd_simulators.world.world import World

KEYS = {"do", "what", "id", "value", "lens"}


def answer(world: World, command: Mapping[str, Any]) -> dict[str, Any]:
    """Carry out one command on `world`."""
    try:
        if not isinstance(command, Mapping):
            raise HandRefused('A command is an object such as {"do": "fit", "what": "lens", "id": "L-0417"}.')
        unknown = set(command) - KEYS
        if unknown:
            raise HandRefused(
                f"The hand does not know {named(sorted(map(str, unknown)))}; it knows {named(sorted(KEYS))}."
            )
        acts: dict[str, Callable[[World, Mapping[str, Any]], dict[str, Any]]] = {
            "fit": _fit,
            "remove": _remove,
            "set": _set,
            "press": lambda world, command: {"pressed": world.contacts.act(command.get("what"), True)},
            "release": lambda world, command: {"pressed": world.contacts.act(command.get("what"), False)},
            "measure": _measure,
            "look": lambda world, _: world.standing(),
        }
        act = acts.get(str(command.get("do")))
        if act is None:
            raise HandRefused(f"The hand can {named(acts)}; it cannot {command.get('do')!r}.")
        return {"ok": True, **act(world, command)}
    except HandRefused as refused:
        return {"ok": False, "error": str(refused)}


def _id(command: Mapping[str, Any]) -> str:
    if command.get("id") is None:
        raise HandRefused(f"Say which {command.get('what')}: the id is missing.")
    return str(command["id"])


def _unknown(command: Mapping[str, Any], known: Mapping[str, object]) -> HandRefused:
    return HandRefused(
        f"The hand can {command['do']} {named(known)}; it cannot {command['do']} {command.get('what')!r}."
    )


def _fit(world: World, command: Mapping[str, Any]) -> dict[str, Any]:
    fitting = world.fitting
    acts: dict[str, Callable[[], None]] = {
        "adapter": lambda: fitting.fit_adapter(_id(command)),
        "glass": lambda: fitting.fit_glass(_id(command)),
        "lens": lambda: by_hand.fit_lens(world, _id(command)),
        "filter": lambda: fitting.fit_filter(_id(command)),
        "shim": lambda: fitting.fit_shim(number(_id(command), "A shim"), command.get("lens")),
    }
    act = acts.get(str(command.get("what")))
    if act is None:
        raise _unknown(command, acts)
    if world.indicator_at != "away" and command.get("what") in {"adapter", "glass", "lens"}:
        raise HandRefused(f"The indicator's bridge stands at {world.indicator_at}; set it away first.")
    act()
    return world.standing()


def _remove(world: World, command: Mapping[str, Any]) -> dict[str, Any]:
    fitting = world.fitting
    acts: dict[str, Callable[[], None]] = {
        "adapter": lambda: fitting.remove_adapter(_id(command)),
        "glass": lambda: fitting.remove_glass(_id(command)),
        "lens": lambda: fitting.remove_lens(None if command.get("id") is None else str(command["id"])),
        "filter": lambda: fitting.remove_filter(_id(command)),
        "shim": lambda: fitting.remove_shim(number(_id(command), "A shim"), command.get("lens")),
    }
    act = acts.get(str(command.get("what")))
    if act is None:
        raise _unknown(command, acts)
    if world.indicator_at == "adapter" and command.get("what") == "adapter":
        raise HandRefused("The indicator's bridge stands on the adapter; set it away first.")
    act()
    return world.standing()


def _set(world: World, command: Mapping[str, Any]) -> dict[str, Any]:
    value = command.get("value")
    acts: dict[str, Callable[[], None]] = {
        "ring": lambda: by_hand.set_ring(world, value),
        "iris": lambda: by_hand.set_iris(world, number(value, "The iris")),
        "wall_mm": lambda: by_hand.set_wall(world, number(value, "The wall")),
        "indicator": lambda: by_hand.set_indicator(world, str(value)),
        "tip": lambda: by_hand.set_tip(world, str(value)),
        "temperature": lambda: world.set_temperature(number(value, "The temperature")),
        "pushed_um": lambda: world.carriage.push(number(value, "The push")),
        "wall_marks": lambda: world.room.set_marks(value),
        "wall_strip": lambda: world.room.set_strip(value),
        "square_off": lambda: by_hand.set_square_off(world, value),
        "flat": lambda: world.the_tube().hold(value),
        "tube_mm": lambda: world.the_tube().set_to(number(value, "The tube")),
    }
    act = acts.get(str(command.get("what")))
    if act is None:
        raise _unknown(command, acts)
    act()
    return world.standing()


def _measure(world: World, command: Mapping[str, Any]) -> dict[str, Any]:
    acts: dict[str, Callable[[], dict[str, Any]]] = {
        "tape": lambda: world.room.tape(world.magnification()),
        "thermometer": lambda: {"temperature_C": round(world.room.temperature_C, 2)},
        "tube": lambda: world.the_tube().read(),
        "autocollimation": lambda: by_hand.autocollimate(world),
    }
    act = acts.get(str(command.get("what")))
    if act is None:
        raise _unknown(command, acts)
    return act()
