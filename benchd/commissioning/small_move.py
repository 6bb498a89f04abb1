"""`um_per_unit` and direction, by a small move that a person has confirmed: the motor's count against scale or gauge.

The carriage is moved by the daemon, by its ordinary verbs with all that guards them, by whoever holds control.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from benchd.bench.datum.chain import position_record
from benchd.bench.datum.gauge_check import contradiction
from benchd.client import BenchClient
from benchd.commissioning.diagnosis import Found, wrong
from benchd.commissioning.factor import WAY, WHAT, Guilty, apart
from benchd.commissioning.watched_homing import watched_homing
from benchd.devices import EncoderSpec, GaugeSpec
from benchd.errors import BenchdError
from benchd.files.loading import LoadedBench

Confirm = Callable[[str], Awaitable[bool]]
"""Puts a yes-or-no question to a person at the terminal; what was typed before it is no answer."""

SCREW_UM = 10.0
"""What a screw may be off within a turn, both places together: bearings and pitch of a common one (common practice, no
source)."""
SLACK_UM = 60.0
"""What a first move may lose to slack that was not taken up before it."""
MOVE_S = 60.0
ON_TARGET = "Does the tip of the indicator rest on the target, in the middle of its range, to follow the carriage?"
CAUTION = (
    "A carriage pinches, and what stands on it may tip: keep hands out, and the hardware stop within reach. Ctrl-C "
    "sends a stop, which is an ordinary stop and no emergency stop."
)


@dataclass(frozen=True)
class Place:
    """Readings at one place, um: the motor's own count, the scale, the gauge; None for what is not there."""

    motor: float
    scale: float | None
    gauge: float | None


async def small_move(bench: BenchClient, loaded: LoadedBench | None, by_um: float, confirm: Confirm) -> list[Found]:
    """Move twice by `by_um` towards the side of final approaches, and back; compare. Raises BenchdError.

    Control is taken for that, and given back where it was not held before.
    """
    held = (await bench.kept("control")).get("holder") == bench.user
    try:
        return await _compared(bench, loaded, by_um, confirm)
    finally:
        if not held and (await bench.kept("control")).get("holder") == bench.user:
            with suppress(BenchdError):
                await bench.command("release", beat=False)


async def _compared(bench: BenchClient, loaded: LoadedBench | None, by_um: float, confirm: Confirm) -> list[Found]:
    about = await bench.kept("about")
    roles, device = about["roles"], about["roles"]["carriage"]
    unit = None if loaded is None else loaded.file.devices[device].rest.get("um_per_unit")
    scale = "position" in roles
    found: list[Found] = []
    if not (await bench.kept("device/carriage")).get("homed"):
        found = await _homed(bench, device, confirm, scale=scale)
        if found:
            return found
    gauge = "indicator" in roles and loaded is not None and await confirm(ON_TARGET)
    if not scale and not gauge:
        text = "Neither a scale nor an indicator could show what a move is worth, so nothing was moved."
        return [Found(WHAT, "skipped", text, "Put an indicator's tip on the target, give it the role, and try again.")]
    step_um = by_um if about["devices"]["carriage"]["spec"].get("approach") == "from_below" else -by_um
    if found := _no_room(await bench.kept("device/carriage"), step_um):
        return found
    way = "deeper" if step_um > 0 else "shallower"
    if not await confirm(f"{CAUTION}\nThe carriage will go {by_um:g} µm {way}, as far again, and back. Move it now?"):
        return [Found(WHAT, "skipped", "Nobody wanted it moved.")]
    await take(bench)
    return _judged(await _moved(bench, step_um, scale=scale, gauge=gauge), about, loaded, unit)


async def _homed(bench: BenchClient, device: str, confirm: Confirm, *, scale: bool) -> list[Found]:
    """Home it where a person wants that; what is wrong then, nothing where it is homed."""
    text = (
        f"{CAUTION}\nThe carriage is not homed, and before that it makes no small move. Home it now? It goes to its "
        "switch, which may be far, and back into its travel: nothing may stand in the way, no indicator's tip either."
    )
    if not await confirm(text):
        return [
            Found(WHAT, "skipped", "The carriage is not homed, so it makes no small move.", "`benchd do home` first.")
        ]
    await take(bench)
    if not scale:
        await bench.do("home")
        return []
    return await watched_homing(bench, device)


async def take(bench: BenchClient) -> None:
    """Control, where it is not held. Raises Refused('not_holder') naming who does."""
    if (await bench.kept("control")).get("holder") != bench.user:
        await bench.command("take", beat=False)


def _no_room(carriage: Mapping[str, Any], step_um: float) -> list[Found]:
    low, high = carriage.get("limits_um") or (None, None)
    here = carriage.get("carriage_um")
    if here is None or low is None or low <= here + 2.0 * step_um <= high:
        return []
    text = f"There is no room for {2.0 * abs(step_um):g} µm from {here:g} µm, with limits of {low:g} and {high:g} µm."
    return [Found(WHAT, "skipped", text, "`benchd do move carriage_um=..` to somewhere in the middle, then try again.")]


@dataclass(frozen=True)
class Moves:
    """Where it stood one after another, and the error that ended them, if one did."""

    places: tuple[Place, ...]
    failed: BenchdError | None


async def _moved(bench: BenchClient, step_um: float, *, scale: bool, gauge: bool) -> Moves:
    """Look, move, look, move, look, and back. Raises BenchdError where nothing could be read."""

    async def read(name: str, *, motor: bool = False) -> float:
        return float((await bench.command("read", beat=False, device=name, motor=motor))["value"])

    async def look() -> Place:
        motor = await read("carriage", motor=True)
        return Place(motor, await read("position") if scale else None, await read("indicator") if gauge else None)

    failed: BenchdError | None = None
    places = [await look()]
    try:
        for by_um in (step_um, step_um):
            await bench.do("move", within_s=MOVE_S, by_um=by_um)
            places.append(await look())
        await bench.do("move", within_s=MOVE_S, by_um=-2.0 * step_um)
    except BenchdError as error:
        failed = error
        with suppress(BenchdError):
            places.append(await look())
    return Moves(tuple(places), failed)


def _judged(moves: Moves, about: Mapping[str, Any], loaded: LoadedBench | None, unit: float | None) -> list[Found]:
    places = moves.places
    # After a whole first move slack lies on one side, and the second is told without it.
    whole = len(places) > 2
    first, last = (places[1], places[2]) if whole else (places[0], places[-1])
    motor = last.motor - first.motor
    if abs(motor) < 1.0:
        why = moves.failed.text if moves.failed else "Its count has not changed."
        advice = moves.failed.advice if moves.failed else "Check that the motor is switched on."
        return [Found(WHAT, "wrong", f"The motor has not moved: {why}", advice)]
    scale = None if first.scale is None or last.scale is None else last.scale - first.scale
    gauge = None if first.gauge is None or last.gauge is None or loaded is None else last.gauge - first.gauge
    follows = Follows(about, loaded) if loaded is not None else None
    found: list[Found] = []
    if scale is not None:
        guilty = None if gauge is None or follows is None else follows.guilty(motor, scale, gauge)
        found += against_scale(motor, scale, about["roles"]["carriage"], unit, SCREW_UM if whole else SLACK_UM, guilty)
    if gauge is not None and follows is not None and all(one.state == "ok" for one in found):
        found += follows.judged(motor if scale is None else scale, gauge, "motor" if scale is None else "scale")
    if moves.failed is not None and all(one.state == "ok" for one in found):
        found.append(wrong(WHAT, moves.failed))
    elif moves.failed is not None:
        text = f"The move ended early: {moves.failed.text}"
        found.append(Found("carriage", "note", text, "Home it again once this is mended."))
    return found


def against_scale(
    motor_um: float, scale_um: float, device: str, unit: float | None, slack_um: float, guilty: Guilty | None = None
) -> list[Found]:
    """The motor's count and the scale over one move: alike, the other way round, or a factor apart."""
    ratio, loose = scale_um / motor_um, slack_um / abs(motor_um)
    said = f"The motor counted {motor_um:+.1f} µm and the scale saw {scale_um:+.1f} µm"
    if abs(ratio - 1.0) > loose:
        return apart(said, ratio, loose, device, unit, guilty)
    text = f"{said}: alike within {loose:.0%}, which is what such a move can tell."
    return [Found(WHAT, "ok", text), Found(WAY, "ok", "Motor and scale count the same way.")]


class Follows:
    """Whether the indicator follows a move, by the check that `bench_zero` makes as well."""

    def __init__(self, about: Mapping[str, Any], loaded: LoadedBench) -> None:
        devices = about["devices"]
        self._gauge = GaugeSpec(**devices["indicator"]["spec"])
        scale = devices["position"]["spec"] if "position" in devices else None
        self._record = position_record(loaded.file, None if scale is None else EncoderSpec(**scale))

    def guilty(self, motor_um: float, scale_um: float, more_um: float) -> Guilty | None:
        """The one of the two that the indicator does not go with, where it goes with the other."""
        with_motor = contradiction(self._gauge, None, motor_um, more_um, "indicator") is None
        with_scale = contradiction(self._gauge, self._record, scale_um, more_um, "indicator") is None
        return None if with_motor == with_scale else "scale" if with_motor else "motor"

    def judged(self, moved_um: float, more_um: float, by: str) -> list[Found]:
        """Whether it reads more by what the carriage has moved."""
        off = contradiction(self._gauge, self._record, moved_um, more_um, "indicator")
        if off is None:
            text = f"It followed the {by}: {moved_um:+.1f} µm, and reads {more_um:+.1f} µm more."
            return [Found("indicator", "ok", text)]
        if off.code == "bad_request":  # the move was too small to show anything of it
            return [Found("indicator", "skipped", off.text, off.advice)]
        return [wrong("indicator", off)]
