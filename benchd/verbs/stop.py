"""The arguments of a stop. It is not a verb like the others: it needs nothing and has an MQTT connection of its own."""

from __future__ import annotations

from benchd.verbs.arguments import Args, Name
from benchd.verbs.result import Result

DOES = "Stop everything that moves; needs neither control nor beat."


class StopArgs(Args):
    """Everything that moves stops, whichever `axis` is named: what is hurried may not be weighed."""

    axis: Name | None = None


class AtRest(Result):
    """All stands: what was lost before stood then, and is told as an event."""

    beat: str
    """Drawn after the stop, which has voided those before it."""
