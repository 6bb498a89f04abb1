"""Which earlier checks of a lens belong on one chart with today's: pure, from the findings alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from benchd.questions.evidence import Earlier

Doc = Mapping[str, Any]

SAME = ("adapters", "support")
"""Of the set-up, what makes it another place where it differs: adapters by their joints and what is not calibrated."""
STATED = ("distance_mm", "m")
"""Of the set-up, what leads to nominal by another way where it is stated once and not the other time, or where marks
told it once; the figures themselves may change, as a wall does, and are in the focus error."""


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its time (RFC 3339), focus error and sum of shims under the lens (um), the calibrations that it was
    counted with, and by name all that has to be the same on one chart."""

    at: str
    value_um: float
    shims_um: float
    calibrations: tuple[str, ...]
    conditions: Mapping[str, Any]

    @classmethod
    def of(cls, finding: Doc, setup: Doc, shims_um: float) -> Self:
        """The check of a finding with a `focus_error`, and the set-up that it was made at."""
        conditions = dict(finding["measurand"])
        conditions |= {key: setup.get(key) for key in SAME}
        conditions |= {f"{key} stated": _stated(setup.get(key)) for key in STATED}
        conditions["zero"] = (finding["absolute"], tuple(finding.get("why_relative") or ()))
        value_um = finding["values"]["focus_error"]["value"]
        return cls(finding["at"], value_um, shims_um, tuple(sorted(finding["calibrations"])), conditions)


def earlier_checks(history: Sequence[Earlier], today: Check, most: int) -> tuple[list[Check], list[str]]:
    """The checks that today's is compared with, oldest first, and notes on what was left out.

    `history` is newest first; where it is as long as `most`, the record may hold more. Checks that were measured
    otherwise are passed over, as those of today's kind go on after them. Other calibrations or other shims end it: all
    that is before them stands at another level.
    """
    kept: list[Check] = []
    others: list[str] = []
    notes: list[str] = []
    left_out = 0
    for one in history:
        check = Check.of(one.finding, one.setup, one.finding["values"]["shims"]["value"])
        unlike = [key for key in today.conditions if today.conditions[key] != check.conditions.get(key)]
        if unlike:
            left_out += 1
            others += unlike
            continue
        if check.calibrations != today.calibrations:
            notes.append(
                f"The calibrations are not those of {day(check.at)} and before: the baseline begins anew, as a new "
                "zero shifts every value."
            )
        if check.shims_um != today.shims_um:
            notes.append(
                f"Up to {day(check.at)} it had {check.shims_um:g} µm of shims under it, and now {today.shims_um:g}: "
                "the baseline begins anew."
            )
        if notes:
            break
        kept.append(check)
    else:
        if len(history) >= most:
            notes.append(
                f"Of a longer history the last {most} checks are looked at, and the limits are of their first."
            )
    if left_out:
        differ = ", ".join(key.replace("_", " ") for key in dict.fromkeys(others))
        are = "1 earlier check is" if left_out == 1 else f"{left_out} earlier checks are"
        notes.append(f"{are} not on this chart, measured otherwise ({differ}).")
    return kept[::-1], notes


def _stated(figure: Any) -> str | None:
    """What a figure of the set-up is of, None where there is none."""
    if figure is None:
        return None
    return str(figure.get("by") or "a person") if isinstance(figure, Mapping) else "a person"


def day(at: str) -> str:
    """The day of a time (RFC 3339)."""
    return at[:10]
