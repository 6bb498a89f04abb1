"""What a place of the carriage may be wrong by, as it counts in offset: scale, periodic error, tipping."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

from benchd.bench.bounded_terms import Bounded, read_at, tipping
from benchd.bench.chain_terms import ChainTerm, Length, UnmeasuredTerm
from benchd.bench.position_terms import ScaleRecord, position_terms
from benchd.files.bench_file import BenchFile


@dataclass(frozen=True, slots=True)
class CarriageTerms:
    """Of one set-up, at any place.

    `scale` is what is stated of the position, None where nothing is; `zero_um` the place from where it counts;
    `measured` the lengths that were found by moving the target, which share scale and carriage with the place.
    """

    file: BenchFile
    scale: ScaleRecord | None
    zero_um: float
    measured: Sequence[Length]

    def position(self, carriage_um: float, slope: float) -> list[ChainTerm]:
        """Lines of the position there, `slope` being offset per um of carriage."""
        if self.scale is None:
            return []
        by_scale_um = sum(part.length_um for part in self.measured if part.shares.scale_um)
        return _times(slope, position_terms(self.scale, carriage_um, self.zero_um, by_scale_um))

    def tips(self, carriage_um: float, slope: float) -> Bounded:
        """What tipping makes of the place."""
        found = tipping(self.file, read_at(carriage_um, self.zero_um, self.measured if self.scale else ()))
        return replace(found, terms=tuple(_times(slope, found.terms)))


T = TypeVar("T", ChainTerm, ChainTerm | UnmeasuredTerm)


def _times(slope: float, terms: Sequence[T]) -> list[T]:
    """Terms of the carriage as they count in offset."""
    return [
        replace(term, value_um=slope * term.value_um, u_um=slope * term.u_um) if isinstance(term, ChainTerm) else term
        for term in terms
    ]
