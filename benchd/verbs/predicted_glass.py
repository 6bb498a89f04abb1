"""Where a run would ask about glass that is not the lens's own, from the predicted set-up.

The rules are those of the question `glass_meant`: once for each lens with its glass, together with a question of kind
`confirm` before the sweep, else right before the sweep.
"""

from __future__ import annotations

from typing import Self

from benchd.verbs.foreseen import Why, joined_by_and
from benchd.verbs.predicted_setup import PredictedSetup
from benchd.verbs.view import BenchView

Pair = tuple[str, tuple[str, ...]]
"""A lens and the glass behind it."""


class PredictedGlass:
    """Tracks which pairs will have been asked about. `ask_about` gives the question, if any, for a set-up."""

    def __init__(self, bench: BenchView) -> None:
        self._bench = bench
        self._asked: frozenset[Pair] = frozenset()
        self._perhaps: frozenset[Pair] = frozenset()  # asked about in one of the merged branches
        self._unknown = False  # a pair that is not known was asked about
        self._of: Why | None = None  # what the unknown pair asked about last depended on

    def copy(self) -> Self:
        """An independent copy, for another branch."""
        copied = type(self)(self._bench)
        copied._asked, copied._perhaps, copied._unknown, copied._of = (
            self._asked,
            self._perhaps,
            self._unknown,
            self._of,
        )
        return copied

    @property
    def known_state(self) -> tuple[object, ...]:
        """All that is known here, to be compared with another branch."""
        return self._asked, self._perhaps, self._unknown, self._of

    def merge(self, other: PredictedGlass) -> None:
        """Merge two branches."""
        self._perhaps = (self._perhaps | other._perhaps | self._asked | other._asked) - (self._asked & other._asked)
        self._asked &= other._asked
        self._unknown |= other._unknown
        self._of = self._of if self._of == other._of else None

    def changed(self) -> None:
        """Lens or glass may have changed."""
        self._of = None

    def ask_about(self, set_up: PredictedSetup) -> tuple[str, str | None] | None:
        """The question about the glass here and its condition, if any; it counts as asked from now on.

        None if nothing is asked.
        """
        why = set_up.values.why("lens", "glass")
        if why:
            if self._of == why or set_up.bare:
                return None
            self._of, self._unknown = why, True
            return (
                "Is the glass meant?",
                f"if it is not the lens's own; which stand there depends on {joined_by_and(why)}",
            )
        lens, glass = set_up.values.get("lens"), tuple(set_up.values.get("glass") or ())
        text = self._bench.glass_question_text(lens, glass)
        if text is None or (lens, glass) in self._asked:
            return None
        perhaps = self._unknown or (lens, glass) in self._perhaps
        self._asked |= {(lens, glass)}
        self._perhaps -= {(lens, glass)}
        return text, "unless it was asked before" if perhaps else None
