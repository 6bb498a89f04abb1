"""What it means that a motor's count and a scale go apart by a factor, or opposite ways; and what to write then."""

from __future__ import annotations

from typing import Literal

from benchd.commissioning.diagnosis import Found

WHAT, WAY = "um_per_unit", "direction"
Guilty = Literal["motor", "scale"]
"""Which of the two an indicator has shown to be the wrong one."""

FACTORS = (2.0, 4.0, 5.0, 8.0, 10.0, 16.0, 25.4, 100.0, 1000.0)
LIKE = {25.4: "inches for millimetres", 1000.0: "millimetres for µm, or metres for millimetres"}
"""Factors that slips make: units, decimal points, microsteps; all others are told as they are."""
NEAR = 0.1


def apart(said: str, ratio: float, loose: float, device: str, unit: float | None, guilty: Guilty | None) -> list[Found]:
    """The findings where the scale saw `ratio` of what the motor counted, which is told to within `loose`.

    `device` drives the carriage, and one of its units is stated as `unit` µm.
    """
    found = []
    if ratio < 0.0:
        found.append(Found(WAY, "wrong", f"{said}: motor and scale count opposite ways.", _turned(device, guilty)))
    if abs(abs(ratio) - 1.0) > loose:
        text = f"{said}: that is {abs(ratio):.3g} times as far."
        found.append(Found(WHAT, "wrong", text, _scaled(abs(ratio), device, unit, guilty)))
    return found


def _turned(device: str, guilty: Guilty | None) -> str:
    scale = "turn the sign of `um_per_unit` of the scale"
    motor = f"`positive` of {device} is the wrong way round, or the controller's own setting of direction"
    if guilty is not None:
        return f"The indicator goes with the other: {scale if guilty == 'scale' else motor}."
    return (
        f"Look which way it goes: where a move that is asked for deeper goes away from the lens, {scale}; where it "
        f"goes towards the lens, {motor}."
    )


def _scaled(times: float, device: str, unit: float | None, guilty: Guilty | None) -> str:
    near = min((one for factor in FACTORS for one in (factor, 1.0 / factor)), key=lambda one: abs(one / times - 1.0))
    meant = times if abs(near / times - 1.0) > NEAR else near
    now = f" ({unit * meant:.4g} where {unit:g} stands)" if unit is not None else ""
    motor = (
        f"`um_per_unit` of {device} has to be {meant:.3g} times what it is{now}, or the controller's steps per unit "
    )
    motor += "are wrong by that"
    scale = f"`um_per_unit` of the scale has to be {1.0 / meant:.3g} times what it is"
    if guilty is not None:
        return f"The indicator goes with the other: {scale if guilty == 'scale' else motor}.{_slip(meant)}"
    which = "An indicator on the target, or a rule, tells which."
    return f"If the scale is right, {motor}; if the motor is right, {scale}. {which}{_slip(meant)}"


def _slip(meant: float) -> str:
    factor = max(meant, 1.0 / meant)
    if factor not in FACTORS:
        return ""
    return (
        f" A factor of {factor:g} is often {LIKE.get(factor, 'microsteps, the pitch of the screw, or a lost digit')}."
    )
