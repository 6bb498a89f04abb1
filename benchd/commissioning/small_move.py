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
from benchd.devices import EncoderSpec, GaugeSpec
from benchd.errors import BenchdError
from benchd.files.loading import LoadedBench

Confirm = Callable[[str], Awaitable[bool]]
"""Puts a yes-or-no question to a person at the terminal; what was typed before it is no answer."""

WHAT = "um_per_unit"
LEAST_UM, MOST_UM = 50.0, 2000.0
SCREW_UM = 10.0
"""What a screw may be off within a turn, both places together: bearings and pitch of a common one (common practice, no
source)."""
SLACK_UM = 60.0
"""What a first move may lose to slack that was not taken up before it."""
MOVE_S = 60.0
FACTORS = (10.0, 100.0, 1000.0, 25.4, 2.0, 4.0, 8.0, 16.0, 5.0)
LIKE = {25.4: "inches for millimetres", 1000.0: "metres for millimetres, or millimetres for µm"}
"""Factors that slips make: units, decimal points, microsteps; all others are told as they are."""
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
    """Move twice by `by_um` towards the side of final approaches, and back; compare. Raises BenchdError."""
    about = await bench.kept("about")
    carriage, roles = await bench.kept("device/carriage"), about["roles"]
    if not carriage.get("homed"):
        advice = "`benchd do home`, hands out; where that fails, what it says is what to mend first."
        return [
            Found(WHAT, "skipped", f"The carriage is not homed ({carriage.get('why')}), so nothing was moved.", advice)
        ]
    gauge = (
        "indicator" in roles
        and loaded is not None
        and await confirm(
            "Does the tip of the indicator rest on the target, in the middle of its range, to follow the carriage?"
        )
    )
    if "position" not in roles and not gauge:
        text = "Neither a scale nor an indicator could show what a move is worth, so nothing was moved."
        return [Found(WHAT, "skipped", text, "Put an indicator's tip on the target, give it the role, and try again.")]
    step_um = by_um if about["devices"]["carriage"]["spec"].get("approach") == "from_below" else -by_um
    if found := _no_room(carriage, step_um):
        return found
    way = "deeper" if step_um > 0 else "shallower"
    if not await confirm(f"{CAUTION}\nThe carriage will go {by_um:g} µm {way}, as far again, and back. Move it now?"):
        return [Found(WHAT, "skipped", "Nobody wanted it moved.")]
    return _judged(await _moved(bench, step_um, scale="position" in roles, gauge=gauge), about, loaded)


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
    """Take control, move, read, and give control back where it was not held before. Raises BenchdError."""

    async def read(name: str, *, motor: bool = False) -> float:
        return float((await bench.command("read", beat=False, device=name, motor=motor))["value"])

    async def look() -> Place:
        motor = await read("carriage", motor=True)
        return Place(motor, await read("position") if scale else None, await read("indicator") if gauge else None)

    held = (await bench.kept("control")).get("holder") == bench.user
    if not held:
        await bench.command("take", beat=False)
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
    finally:
        if not held:
            with suppress(BenchdError):
                await bench.command("release", beat=False)
    return Moves(tuple(places), failed)


def _judged(moves: Moves, about: Mapping[str, Any], loaded: LoadedBench | None) -> list[Found]:
    places = moves.places
    # After a whole first move slack lies on one side, and the second is told without it.
    whole = len(places) > 2
    first, last = (places[1], places[2]) if whole else (places[0], places[-1])
    motor = last.motor - first.motor
    if abs(motor) < 1.0 or len(places) < 2:
        why = moves.failed.text if moves.failed else "Its count has not changed."
        advice = moves.failed.advice if moves.failed else "Check that the motor is switched on."
        return [Found(WHAT, "wrong", f"The motor has not moved: {why}", advice)]
    device = about["roles"]["carriage"]
    unit = None if loaded is None else loaded.file.devices[device].rest.get("um_per_unit")
    found = []
    if first.scale is not None and last.scale is not None:
        found += against_scale(motor, last.scale - first.scale, device, unit, SCREW_UM if whole else SLACK_UM)
    if first.gauge is not None and last.gauge is not None and loaded is not None:
        by = "scale" if first.scale is not None and last.scale is not None else "motor"
        moved = motor if first.scale is None or last.scale is None else last.scale - first.scale
        found += _against_gauge(moved, last.gauge - first.gauge, about, loaded, by)
    if moves.failed is not None and all(one.state == "ok" for one in found):
        found.append(wrong(WHAT, moves.failed))
    elif moves.failed is not None:
        found.append(
            Found(
                "carriage", "note", f"The move ended early: {moves.failed.text}", "Home it again once this is mended."
            )
        )
    return found


def against_scale(motor_um: float, scale_um: float, device: str, unit: float | None, slack_um: float) -> list[Found]:
    """The motor's count and the scale over one move: alike, the other way round, or a factor apart."""
    ratio, loose = scale_um / motor_um, slack_um / abs(motor_um)
    said = f"The motor counted {motor_um:+.1f} µm and the scale saw {scale_um:+.1f} µm"
    if abs(ratio - 1.0) <= loose:
        text = f"{said}: alike within {loose:.0%}, which is what such a move can tell."
        return [Found(WHAT, "ok", text), Found("direction", "ok", "Motor and scale count the same way.")]
    found = []
    if ratio < 0.0:
        text = f"{said}: they count opposite ways."
        advice = (
            f"Look which way it goes: where a move asked for deeper goes away from the lens, turn the sign of "
            f"`um_per_unit` of the scale; where it goes towards the lens, `positive` of {device} is the wrong one."
        )
        found.append(Found("direction", "wrong", text, advice))
    if abs(abs(ratio) - 1.0) > loose:
        found.append(
            Found(WHAT, "wrong", f"{said}: that is {abs(ratio):.3g} times as far.", _unit_advice(ratio, device, unit))
        )
    return found


def _unit_advice(ratio: float, device: str, unit: float | None) -> str:
    times = abs(ratio)
    near = min((one for factor in FACTORS for one in (factor, 1.0 / factor)), key=lambda one: abs(one / times - 1.0))
    meant = times if abs(near / times - 1.0) > 0.1 else near
    why = LIKE.get(max(meant, 1.0 / meant), "a slip of the point, microsteps, or the screw's pitch")
    now = f" ({unit * meant:.4g} where {unit:g} stands)" if unit is not None else ""
    return (
        f"If the scale is right, `um_per_unit` of {device} has to be {meant:.3g} times what it is{now}, or the "
        f"controller's steps per unit are wrong by that; if the motor is right, `um_per_unit` of the scale is. "
        f"A factor of {max(meant, 1.0 / meant):.3g} is often {why}. A rule or an indicator on the target tells which."
    )


def _against_gauge(
    moved_um: float, more_um: float, about: Mapping[str, Any], loaded: LoadedBench, by: str
) -> list[Found]:
    """The gauge's own check, the one of `bench_zero`, over the same move."""
    spec = about["devices"]["indicator"]["spec"]
    scale = about["devices"].get("position", {}).get("spec")
    record = position_record(loaded.file, None if scale is None else EncoderSpec(**scale))
    off = contradiction(GaugeSpec(**spec), record, moved_um, more_um, "indicator")
    if off is None:
        return [
            Found("indicator", "ok", f"It followed the {by}: {moved_um:+.1f} µm, and reads {more_um:+.1f} µm more.")
        ]
    return (
        [wrong("indicator", off)]
        if off.code != "bad_request"
        else [Found("indicator", "skipped", off.text, off.advice)]
    )
