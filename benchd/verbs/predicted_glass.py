"""Where a run would ask about glass that is not the lens's own, on what is known of the set-up ahead.

As `glass_meant` asks: once of each lens with its glass, before a question that nothing but a yes answers, else before
the sweep.
"""

from __future__ import annotations

from typing import Self

from benchd.verbs.foreseen import Why, joined
from benchd.verbs.predicted_setup import PredictedSetup
from benchd.verbs.view import BenchView

Pair = tuple[str, tuple[str, ...]]
"""A lens and the glass behind it."""


class PredictedGlass:
    """Of which pairs somebody will have been asked. `now` gives what is asked of the set-up as it is here."""

    def __init__(self, bench: BenchView) -> None:
        self._bench = bench
        self._asked: frozenset[Pair] = frozenset()
        self._perhaps: frozenset[Pair] = frozenset()  # asked on one of the ways that lead here
        self._unknown = False  # some pair that is not known was asked about
        self._of: Why | None = None  # what the pair depended on that was asked about last

    def copy(self) -> Self:
        """The same, to go another way from here."""
        twin = type(self)(self._bench)
        twin._asked, twin._perhaps, twin._unknown, twin._of = self._asked, self._perhaps, self._unknown, self._of
        return twin

    @property
    def told(self) -> tuple[object, ...]:
        """All that is known here, to be held against the same of another way."""
        return self._asked, self._perhaps, self._unknown, self._of

    def merge(self, other: PredictedGlass) -> None:
        """Whichever of two ways was gone to here."""
        self._perhaps = (self._perhaps | other._perhaps | self._asked | other._asked) - (self._asked & other._asked)
        self._asked &= other._asked
        self._unknown |= other._unknown
        self._of = self._of if self._of == other._of else None

    def changed(self) -> None:
        """Lens or glass may be others from here on."""
        self._of = None

    def now(self, set_up: PredictedSetup) -> tuple[str, str | None] | None:
        """What is asked here about the glass, and under which condition if under any. It counts as asked from now on.

        None where nothing is asked.
        """
        why = set_up.values.why("lens", "glass")
        if why:
            if self._of == why or set_up.bare:
                return None
            self._of, self._unknown = why, True
            return "Is the glass meant?", f"if it is not the lens's own; which stand there depends on {joined(why)}"
        lens, glass = set_up.values.get("lens"), tuple(set_up.values.get("glass") or ())
        text = self._bench.glass_question_text(lens, glass)
        if text is None or (lens, glass) in self._asked:
            return None
        perhaps = self._unknown or (lens, glass) in self._perhaps
        self._asked |= {(lens, glass)}
        self._perhaps -= {(lens, glass)}
        return text, "unless it was asked before" if perhaps else None
