"""Seeded draws: what the hidden truth of a world is made of.

Every quantity of a world has a record (what a certificate, a drawing or an operator says), a standard uncertainty and a
shape; its true value is the record plus one draw of that shape whose standard deviation is the uncertainty. A draw
depends on the seed and on the quantity's name alone, never on the order of asking, so that two worlds with the same
seed hold the same lens.
"""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass
from math import pi, sin, sqrt
from typing import Literal

import numpy as np

Shape = Literal["normal", "rectangular", "triangular", "arcsine"]
SHAPES: tuple[Shape, ...] = ("normal", "rectangular", "triangular", "arcsine")


@dataclass(frozen=True, slots=True)
class Drawn:
    """One quantity: its record, standard uncertainty, shape and true value, all in the unit its name ends with."""

    name: str
    record: float
    u: float
    shape: Shape
    true: float


def unit_draw(rng: np.random.Generator, shape: Shape) -> float:
    """A draw with mean 0 and standard deviation 1 (half-widths by JCGM 100, 4.3.7 and 4.3.9; arcsine: a sqrt 2)."""
    if shape == "normal":
        return float(rng.standard_normal())
    if shape == "rectangular":
        return float(rng.uniform(-sqrt(3.0), sqrt(3.0)))
    if shape == "triangular":
        return float(rng.triangular(-sqrt(6.0), 0.0, sqrt(6.0)))
    return sqrt(2.0) * sin(float(rng.uniform(-pi, pi)))


class Draws:
    """The draws of one seed, remembered by name."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._known: dict[str, Drawn] = {}

    def rng(self, name: str) -> np.random.Generator:
        """A generator of its own for `name`, the same for the same seed."""
        words = np.frombuffer(hashlib.sha256(name.encode()).digest()[:16], dtype=np.uint32)
        return np.random.default_rng([self.seed & 0xFFFFFFFF, *(int(word) for word in words)])

    def quantity(self, name: str, record: float, u: float, shape: Shape, *, stream: str | None = None) -> float:
        """The true value of `name`; `stream` names another quantity whose draw it shares."""
        if name not in self._known:
            true = record + u * unit_draw(self.rng(stream or name), shape)
            self._known[name] = Drawn(name, record, u, shape, true)
        return self._known[name].true

    def known(self, name: str) -> Drawn | None:
        """The quantity `name` as it stands, None if it was never drawn."""
        return self._known.get(name)

    def put(self, drawn: Drawn) -> float:
        """Keep a quantity that is drawn anew during the world's life (a joint at each fitting)."""
        self._known[drawn.name] = drawn
        return drawn.true

    def table(self) -> dict[str, dict[str, object]]:
        """name -> record, u, shape and true value, in the order of first asking."""
        return {name: {k: v for k, v in asdict(drawn).items() if k != "name"} for name, drawn in self._known.items()}
