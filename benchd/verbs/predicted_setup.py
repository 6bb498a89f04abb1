"""The set-up as it will be after the changes of a procedure, and the places it gives, as far as they are known."""

from __future__ import annotations

from collections.abc import Mapping
from copy import copy
from typing import Any, Self

from benchd.arrangements.setup_document import CLEARED_WITH, MOVES, loses_distance
from benchd.errors import Refused
from benchd.verbs.foreseen import Foreseen, Why
from benchd.verbs.view import SetupPlaces, Where

OF_NO_PLACE = frozenset({"job"})
"""What says nothing of places: they are known without it."""


class PredictedSetup:
    """Begins as the set-up that stands. `change` it; what depends on an answer is open until it is stated whole."""

    def __init__(self, where: Where) -> None:
        self._where = where
        self._values = Foreseen({})
        self._found: SetupPlaces | None = None
        if self.places is not None:
            self._values.know(**self.places.setup)

    def copy(self) -> Self:
        """The same, to go another way from here."""
        twin = copy(self)
        twin._values = self._values.copy()
        return twin

    @property
    def values(self) -> Foreseen:
        """What is known of it."""
        return self._values

    @property
    def why(self) -> Why:
        """What its places depend on; empty where they are known."""
        return self._values.why(*(name for name in self._values.open if name not in OF_NO_PLACE))

    @property
    def bare(self) -> bool:
        """Whether it is known to be without a lens."""
        return self._values.get("lens") is None and not self._values.why("lens")

    @property
    def places(self) -> SetupPlaces | None:
        """The places it gives; None where they are not known, or the bench would refuse it."""
        if self._found is None and not self.why:
            try:
                self._found = self._where(self._values.values)
            except Refused:
                return None
        return self._found

    def change(self, stated: Mapping[str, Any], open_keys: Mapping[str, Why]) -> bool | None:
        """Change it as the bench would; gives whether that moves nominal, None where it is not known.

        `stated` are JSON values, `open_keys` what is stated by an answer to come. Raises Refused as the bench would.
        """
        before, known = self._values.copy(), self._found
        self._clear(before, stated, open_keys)
        self._values.know(**stated)
        for key, why in open_keys.items():
            self._values.mark_unknown(key, why)
        self._found = None
        moving = [key for key in (*stated, *open_keys) if key in MOVES]
        if self.why:
            as_before = all(key in stated and not before.why(key) and before.get(key) == stated[key] for key in moving)
            return False if as_before else None
        # As the bench will: what it carries over goes by what was stated, and by where the target stood.
        self._found = known.after(stated) if known and known.after else self._where(self._values.values)
        self._values.know(**self._found.setup)
        if before.open - OF_NO_PLACE:
            return None if moving else False
        return any(self._values.get(key) != before.get(key) for key in MOVES)

    def _clear(self, before: Foreseen, stated: Mapping[str, Any], open_keys: Mapping[str, Why]) -> None:
        """What describes one lens, or one distance, goes with it unless it is stated anew."""
        for key, described in CLEARED_WITH.items():
            if key not in stated and key not in open_keys:
                continue
            why = (*before.why(key), *open_keys.get(key, ()))
            if not why and stated[key] == before.get(key):
                continue
            for name in described:
                # What there is none of is none afterwards as well.
                there = self._values.get(name) is not None or self._values.why(name)
                if name in stated or name in open_keys or not there:
                    continue
                if why:
                    self._values.mark_unknown(name, (*self._values.why(name), *why))
                else:
                    self._values.know(**{name: None})

        stated_of_lens = stated.get("lens", before.get("lens"))
        known = not before.why("lens") and not {"lens", "distance_mm"} & {*open_keys} and "distance_mm" not in stated
        if known and loses_distance(before.get("lens"), stated_of_lens):
            self._values.know(distance_mm=None)

    def merge(self, other: PredictedSetup, why: Why) -> None:
        """Whichever of two ways was gone to here, which depends on `why`."""
        self._values.merge(other._values, why)
        self._found = None
