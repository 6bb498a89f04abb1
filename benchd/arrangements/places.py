"""Conversion between carriage position, depth and offset at one set-up."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused

if TYPE_CHECKING:
    from benchd.metrology.chain_term import ChainTerm


class Places(ABC):
    """The conversions of one set-up, all in um. An offset is None without a lens, as there is no nominal.

    Offset increases with the carriage position, and depth never decreases: limits and clearance are checked at the
    lowest carriage position. `found_by` is the source of nominal in the published chain.
    """

    found_by: ClassVar[str] = "sum of the terms"

    @abstractmethod
    def depth_um(self, carriage_um: float) -> float:
        """Depth from seat to target at this carriage position."""

    @abstractmethod
    def offset_um(self, carriage_um: float) -> float | None:
        """How much deeper than nominal the target is at this carriage position, effectively if it is fixed."""

    @abstractmethod
    def carriage_um(self, offset_um: float) -> float | None:
        """The carriage position for an offset; infinite if no position gives it."""

    @abstractmethod
    def carriage_for_depth(self, depth_um: float) -> float:
        """The carriage position for a depth. Raises Refused('bad_request') if the carriage does not change depth."""

    @abstractmethod
    def lowest_um(self, depth_um: float) -> float:
        """The lowest carriage position at which the target is no shallower than this; it may be infinite."""

    def slope(self, carriage_um: float) -> float:
        """Change of offset per um of carriage there."""
        return 1.0

    def zero_um(self, calibrated_at_um: float) -> float:
        """The carriage position from which the scale's error counts, for a base calibrated at `calibrated_at_um`."""
        return calibrated_at_um

    def by_scale_um(self, carriage_um: float) -> float:
        """The part of the offset there that the carriage's scale measures (um of offset) and its growth affects."""
        return carriage_um

    def reached(self, low_um: float, high_um: float) -> str:
        """The end of a sentence on the carriage's limits: the offsets they correspond to, if these differ."""
        return ""

    def lines(self, offset_um: float) -> tuple[ChainTerm, ...]:
        """Budget lines that depend on the offset (um of offset)."""
        return ()


@dataclass(frozen=True, slots=True)
class OnCarriage(Places):
    """The target is on the carriage: depth = `depth_at_zero_um` + carriage x (1 + `scale_growth`).

    `nominal_um` is the carriage position at an offset of `trim_um`; None without a lens.
    """

    depth_at_zero_um: float
    scale_growth: float = 0.0
    nominal_um: float | None = None
    trim_um: float = 0.0

    def depth_um(self, carriage_um: float) -> float:
        return self.depth_at_zero_um + carriage_um * (1.0 + self.scale_growth)

    def offset_um(self, carriage_um: float) -> float | None:
        if self.nominal_um is None:
            return None
        return (carriage_um - self.nominal_um) * (1.0 + self.scale_growth) + self.trim_um

    def carriage_um(self, offset_um: float) -> float | None:
        if self.nominal_um is None:
            return None
        return self.nominal_um + (offset_um - self.trim_um) / (1.0 + self.scale_growth)

    def carriage_for_depth(self, depth_um: float) -> float:
        return (depth_um - self.depth_at_zero_um) / (1.0 + self.scale_growth)

    def lowest_um(self, depth_um: float) -> float:
        return self.carriage_for_depth(depth_um)


class FixedDepth(Places):
    """The target is fixed at one depth, and the carriage moves something else."""

    @property
    @abstractmethod
    def stands_um(self) -> float:
        """The depth of the target."""

    def depth_um(self, carriage_um: float) -> float:
        return self.stands_um

    def carriage_for_depth(self, depth_um: float) -> float:
        raise Refused(
            "bad_request",
            f"On this bench the target stands fixed, {self.stands_um:.0f} µm behind the seat: no place of the carriage "
            "changes its depth.",
            advice="Give offset_um or carriage_um.",
        )

    def lowest_um(self, depth_um: float) -> float:
        return float("-inf") if depth_um <= self.stands_um else float("inf")
