"""How carriage, depth and offset belong together at one set-up."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from benchd.errors import Refused

if TYPE_CHECKING:
    from benchd.metrology.chain_term import ChainTerm


class Places(ABC):
    """Of one set-up, all in um. An offset is None where nothing is nominal: without a lens.

    Offset grows with the carriage, and depth never falls: limits and clearance are looked at where the carriage is
    lowest. `found_by` says of a place of nominal how it was worked out.
    """

    found_by: ClassVar[str] = "sum of the terms"

    @abstractmethod
    def depth_um(self, carriage_um: float) -> float:
        """Seat to target with the carriage there."""

    @abstractmethod
    def offset_um(self, carriage_um: float) -> float | None:
        """How much deeper than nominal the target stands there, or as good as stands."""

    @abstractmethod
    def carriage_um(self, offset_um: float) -> float | None:
        """Where the carriage has to stand for an offset; infinite where no place gives it."""

    @abstractmethod
    def carriage_for_depth(self, depth_um: float) -> float:
        """Where the carriage has to stand for a depth. Raises Refused('bad_request') where it does not change that."""

    @abstractmethod
    def lowest_um(self, depth_um: float) -> float:
        """The lowest place of the carriage at which the target stands no shallower than this; it may be infinite."""

    def slope(self, carriage_um: float) -> float:
        """Offset gained per um of carriage there."""
        return 1.0

    def zero_um(self, calibrated_at_um: float) -> float:
        """Where the carriage's own scale starts to matter, for a base that was calibrated with the carriage there."""
        return calibrated_at_um

    def by_scale_um(self, carriage_um: float) -> float:
        """How much of the offset there the carriage's scale measures (um of offset): what its growth makes longer."""
        return carriage_um

    def reached(self, low_um: float, high_um: float) -> str:
        """What a sentence on the carriage's limits ends with, where an um of carriage is none of offset."""
        return ""

    def lines(self, offset_um: float) -> tuple[ChainTerm, ...]:
        """Lines of the budget of an offset that go with where the peak is (um of offset)."""
        return ()


@dataclass(frozen=True, slots=True)
class OnCarriage(Places):
    """The target stands on the carriage: depth = `depth_at_zero_um` + carriage x (1 + `scale_growth`).

    `nominal_um` is the carriage at an offset of `trim_um`; None without a lens.
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
    """The target stands fixed, at one depth, and something else moves."""

    @property
    @abstractmethod
    def stands_um(self) -> float:
        """That depth."""

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
