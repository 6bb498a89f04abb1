"""The set-up predicted after the changes of a procedure, and its carriage positions where they are known."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from typing import Any, Self

from benchd.arrangements.setup_document import CLEARED_WITH, MOVES_NOMINAL, loses_distance
from benchd.errors import Refused
from benchd.verbs.foreseen import PredictedState, Why
from benchd.verbs.view import SetupPlaces, Where

OF_NO_PLACE = frozenset({"job"})
"""Keys of the set-up that no position depends on."""


class PredictedSetup:
    """Begins as the present set-up; `change` updates it. A value by an answer is open until it is stated anew."""

    def __init__(self, where: Where) -> None:
        self._where = where
        self._values = PredictedState({})
        self._found: SetupPlaces | None = None
        if self.places is not None:
            self._values.mark_known(**self.places.setup)

    def copy(self) -> Self:
        """An independent copy, for another branch."""
        copied = copy(self)
        copied._values = self._values.copy()
        return copied

    @property
    def values(self) -> PredictedState:
        """The values of the set-up document."""
        return self._values

    @property
    def why(self) -> Why:
        """What its positions depend on; empty if they are known."""
        return self._values.why(*(name for name in self._values.open if name not in OF_NO_PLACE))

    @property
    def bare(self) -> bool:
        """Whether it is known to be without a lens."""
        return self._values.get("lens") is None and not self._values.why("lens")

    @property
    def places(self) -> SetupPlaces | None:
        """The positions it gives; None if they are not known, or if the bench would refuse the set-up."""
        if self._found is None and not self.why:
            try:
                self._found = self._where(self._values.values)
            except Refused:
                return None
        return self._found

    def change(self, stated: Mapping[str, Any], open_keys: Mapping[str, Why]) -> bool | None:
        """Change it as the bench would; gives whether that moves nominal, None if not known.

        `stated` are JSON values, `open_keys` the keys whose values are still open. Raises Refused as the bench would.
        """
        before, known = self._values.copy(), self._found
        self._clear(before, stated, open_keys)
        self._values.mark_known(**stated)
        for key, why in open_keys.items():
            self._values.mark_unknown(key, why)
        self._found = None
        moving = [key for key in (*stated, *open_keys) if key in MOVES_NOMINAL]
        if self.why:
            as_before = all(key in stated and not before.why(key) and before.get(key) == stated[key] for key in moving)
            return False if as_before else None
        # As the bench does: what it carries over depends on what was stated and on where the target was.
        self._found = known.after(stated) if known and known.after else self._where(self._values.values)
        self._values.mark_known(**self._found.setup)
        if before.open - OF_NO_PLACE:
            return None if moving else False
        return any(self._values.get(key) != before.get(key) for key in MOVES_NOMINAL)

    def _clear(self, before: PredictedState, stated: Mapping[str, Any], open_keys: Mapping[str, Why]) -> None:
        """Clear the values that describe a lens or a distance when it changes, unless they are stated anew."""
        for key, described in CLEARED_WITH.items():
            if key not in stated and key not in open_keys:
                continue
            why = (*before.why(key), *open_keys.get(key, ()))
            if not why and stated[key] == before.get(key):
                continue
            for name in described:
                is_set = self._values.get(name) is not None or self._values.why(name)
                if name in stated or name in open_keys or not is_set:
                    continue
                if why:
                    self._values.mark_unknown(name, (*self._values.why(name), *why))
                else:
                    self._values.mark_known(**{name: None})

        new_lens = stated.get("lens", before.get("lens"))
        known = not before.why("lens") and not {"lens", "distance_mm"} & {*open_keys} and "distance_mm" not in stated
        if known and loses_distance(before.get("lens"), new_lens):
            self._values.mark_known(distance_mm=None)

    def merge(self, other: PredictedSetup, why: Why) -> None:
        """Merge two branches; which one is taken depends on `why`."""
        self._values.merge(other._values, why)
        self._found = None
