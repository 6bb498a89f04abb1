"""What a person sets at the bench by hand; what cannot be is refused with a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from benchd_simulators.world.errors import HandRefused, number
from benchd_simulators.world.fitting import named

if TYPE_CHECKING:
    from benchd_simulators.world.world import World


def _no_motor_holds(world: World, ring: str) -> None:
    """Raises `HandRefused` for a ring whose gear a motor holds."""
    lens = None if world.fitting.lens is None else world.record.lenses[world.fitting.lens]
    if lens is not None and ring in world.turned and getattr(lens.rings, ring) is not None:
        raise HandRefused(f"A motor holds the gear of the {ring} ring of {world.fitting.lens}; it turns by that alone.")


def set_ring(world: World, value: object) -> None:
    _no_motor_holds(world, "focus")
    before = world.room.ring
    world.room.set_ring(value)
    try:
        world.optic()
    except HandRefused:
        world.room.ring = before
        raise


def set_wall(world: World, value: float) -> None:
    before = world.room.wall()
    world.room.set_wall(value)
    try:
        world.optic()
    except HandRefused:
        world.room.put_wall(before)
        raise


def fit_lens(world: World, name: str) -> None:
    if world.tube is not None and world.tube.flat is not None:
        raise HandRefused(f"Flat {world.tube.flat} stands before the collimator; set it away first.")
    if name in world.record.lenses:
        world.must_image(name)
    world.fitting.fit_lens(name)
    world.room.iris = None


def set_iris(world: World, f_number: float) -> None:
    if world.fitting.lens is None:
        raise HandRefused("There is no lens on the bench whose iris could be set.")
    _no_motor_holds(world, "iris")
    widest = world.record.lenses[world.fitting.lens].f_number
    if not widest <= f_number <= 32:
        raise HandRefused(f"The iris of {world.fitting.lens} goes from {widest:g} to 32, not to {f_number:g}.")
    world.room.iris = f_number


def autocollimate(world: World) -> dict[str, Any]:
    """Set the tube by the flat before the collimator; what its scale then reads."""
    if world.fitting.lens is not None:
        raise HandRefused(f"Lens {world.fitting.lens} stands where the flat has to; take it off first.")
    world.the_tube().autocollimate(world.room.delta_K)
    return world.the_tube().read()


def set_square_off(world: World, value: object) -> None:
    """Move the square by so many pixels in the picture: a number (to the right) or [right, down]."""
    if isinstance(value, list | tuple) and len(value) == 2:
        x, y = (number(part, "square_off") for part in value)
    else:
        x, y = number(value, "square_off"), 0.0
    world.room.square_off_px = x, y


def set_indicator(world: World, place: str) -> None:
    fitting = world.fitting
    places = ["away", "base", "adapter", *world.record.references]
    if place not in places:
        raise HandRefused(f"The indicator can stand at {named(places)}, not at {place!r}.")
    if place in {"base", "adapter"} and fitting.lens:
        raise HandRefused(f"Lens {fitting.lens} is in the way of the indicator; take it off first.")
    if place == "base" and fitting.adapters:
        raise HandRefused(f"Adapter {fitting.adapters[-1]} stands on the base; remove it first.")
    if place == "adapter" and not fitting.adapters:
        raise HandRefused("There is no adapter on the bench for the indicator to stand on.")
    if place == "adapter" and fitting.glass:
        raise HandRefused(f"Glass {named(fitting.glass)} is in the way of the tip; remove it first.")
    world.indicator_at = place
    world.indicator.place(place if place in {"base", "adapter"} else "ring")


def set_tip(world: World, how: str) -> None:
    if how != "let down":
        raise HandRefused(f"The indicator's tip can be 'let down', not {how!r}.")
    if world.indicator_at == "away":
        raise HandRefused("The indicator stands nowhere.")
    world.indicator.let_down()
