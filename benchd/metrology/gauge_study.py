"""The crossed gauge study: what parts, people and repetition add to a reading, by analysis of variance.

reading = mean + part + person + part by person + repetition, all random, each cell with equally many trials. As in the
MSA manual of AIAG (4th edition, chapter III, section B, and appendix A): the interaction goes into the repetition where
its probability is above a quarter, and a component that comes out negative is zero. With one person, or one part, it is
a study of one way, and what then cannot be told apart is None.

Degrees of freedom are Satterthwaite's, on mean squares: these are independent, and components that share one are not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Self

import numpy as np
from numpy.typing import ArrayLike

POOLED_ABOVE = 0.25
"""Probability of the interaction above which it is taken for repetition (AIAG)."""

Source = Literal["parts", "people", "interaction", "repetition", "total"]


@dataclass(frozen=True, slots=True)
class Row:
    """A row of the analysis, in the reading's unit squared; `f` and its probability `p` by the row that it is held
    against, None where there is none."""

    source: Source
    ss: float
    dof: int
    f: float | None = None
    p: float | None = None

    @property
    def ms(self) -> float:
        """The mean square; zero without degrees of freedom."""
        return self.ss / self.dof if self.dof else 0.0


@dataclass(frozen=True, slots=True)
class Variance:
    """A sum of independent variances: by name what each adds, with its sign, and its degrees of freedom."""

    of: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def value(self) -> float:
        """The sum."""
        return sum(added for added, _ in self.of.values())

    @property
    def s(self) -> float:
        """Its root; a negative sum has none (ValueError)."""
        return math.sqrt(self.value)

    @property
    def dof(self) -> float | None:
        """By Satterthwaite; None where nothing of it is uncertain."""
        doubt = sum(added**2 / dof for added, dof in self.of.values())
        return self.value**2 / doubt if doubt > 0.0 else None

    def __add__(self, other: Variance) -> Variance:
        both = dict(self.of)
        for name, (added, dof) in other.of.items():
            both[name] = (both.get(name, (0.0, dof))[0] + added, dof)
        return Variance(both)

    def not_below_zero(self) -> Self | Variance:
        """Itself, or nothing at all."""
        return self if self.value > 0.0 else Variance()


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Equipment (repetition), people, interaction, parts; `grr` is all but the parts. None cannot be told.

    With one part `av` holds the interaction, with one person `ev` and `grr` hold nothing of people. `pooled`: the
    interaction was taken for repetition.
    """

    rows: tuple[Row, ...]
    pooled: bool
    ev: Variance
    av: Variance | None
    interaction: Variance | None
    pv: Variance | None

    @property
    def grr(self) -> Variance:
        """Repeatability, reproducibility and interaction together."""
        return self.ev + (self.interaction or Variance()) + (self.av or Variance())


def gauge_study(readings: ArrayLike, *, pooled_above: float = POOLED_ABOVE) -> GaugeStudy:
    """The study of `readings`, shape (parts, people, trials); with `pooled_above` of 1 the interaction stays apart.

    Raises ValueError for another shape, for fewer than two trials, and for readings that are not finite.
    """
    y = np.asarray(readings, dtype=np.float64)
    if y.ndim != 3 or 0 in y.shape or y.shape[2] < 2 or not np.all(np.isfinite(y)):
        raise ValueError("readings of every part by every person are needed, two trials of each at the least")
    parts, people, trials = y.shape
    y = y - y.flat[0]  # of a large value in common squares keep no digits
    y = y - y.mean()
    of_part, of_person, of_cell = y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
    both = parts > 1 and people > 1
    repetition = Row("repetition", _squares(y - of_cell[:, :, None]), parts * people * (trials - 1))
    apart = trials * _squares(of_cell - of_part[:, None] - of_person[None, :]) if both else 0.0
    interaction = _tested(Row("interaction", apart, (parts - 1) * (people - 1)), repetition)
    pooled = both and interaction.p is not None and interaction.p > pooled_above
    within = Row("repetition", repetition.ss + interaction.ss, repetition.dof + interaction.dof)
    error = within if pooled else repetition
    below = interaction if both and not pooled else error
    part = _tested(Row("parts", people * trials * _squares(of_part), parts - 1), below)
    person = _tested(Row("people", parts * trials * _squares(of_person), people - 1), below)
    total = Row("total", _squares(y), y.size - 1)
    return GaugeStudy(
        rows=tuple(row for row in (part, person, interaction, repetition, total) if row.dof),
        pooled=pooled,
        ev=Variance({error.source: (error.ms, error.dof)}),
        av=_above(person, below, parts * trials),
        interaction=Variance() if pooled else _above(interaction, error, trials),
        pv=_above(part, below, people * trials),
    )


def _squares(values: np.ndarray) -> float:
    return float(np.sum(values**2))


def _tested(row: Row, against: Row) -> Row:
    """The row with its F; without one where it, or what it is held against, is nothing."""
    from scipy.special import fdtrc

    if not row.dof or against.ms <= 0.0:
        return row
    f = row.ms / against.ms
    return Row(row.source, row.ss, row.dof, f, float(fdtrc(row.dof, against.dof, f)))


def _above(row: Row, below: Row, readings: int) -> Variance | None:
    """What a row's mean square, each of so many readings, is above that below it; None without degrees of freedom."""
    if not row.dof:
        return None
    upper, lower = row.ms / readings, below.ms / readings
    return Variance({row.source: (upper, row.dof), below.source: (-lower, below.dof)}).not_below_zero()
