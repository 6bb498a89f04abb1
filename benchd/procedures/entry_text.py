"""The values of a step as a line of a plan shows them."""

from __future__ import annotations

from typing import Any

from benchd.procedures.arguments import Light


def light_text(args: Light) -> str:
    """Which light is set, and how."""
    (key,) = (key for key in ("level", "stops_by", "on") if getattr(args, key) is not None)
    return f"{args.light} {key} {said(getattr(args, key))}"


def said(value: Any) -> str:
    """A value without the signs of a program."""
    if value is None:
        return "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return " + ".join(said(one) for one in value) or "none"
    if isinstance(value, dict):
        return ", ".join(f"{key} {said(one)}" for key, one in value.items())
    return f"{value:g}" if isinstance(value, float) else str(value)
