"""Refusals of pictures, as a tree.

    PictureRefused (ValueError)   unreadable, too_large, unsupported, no_square, square_cut, square_tilt, no_marks,
    |                             marks_cut, no_strip, strip_pale, strip_fine, strip_ambiguous, strip_uneven
    +-- EdgeRefused               low_contrast, leaves_region, too_few_cycles, too_blurred, clipped,
                                  unreadable

A refusal is a regular result: a wrong modulation would look like a good one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

PictureCode = Literal[
    "unreadable",
    "too_large",
    "unsupported",
    "no_square",
    "square_cut",
    "square_tilt",
    "no_marks",
    "marks_cut",
    "no_strip",
    "strip_pale",
    "strip_fine",
    "strip_ambiguous",
    "strip_uneven",
    "low_contrast",
    "leaves_region",
    "too_few_cycles",
    "too_blurred",
    "clipped",
]


class PictureRefused(ValueError):
    """A picture, or a part of it, that cannot be measured reliably.

    `code` is one of `PictureCode`, `text` a sentence with the figures, `data` the figures alone.
    """

    def __init__(self, code: PictureCode, text: str, data: Mapping[str, float | int | str] | None = None) -> None:
        super().__init__(text)
        self.code: PictureCode = code
        self.text = text
        self.data: dict[str, float | int | str] = dict(data or {})


class EdgeRefused(PictureRefused):
    """An edge whose modulation would be wrong or meaningless."""

    def named(self, side: str) -> EdgeRefused:
        """The same refusal, saying which side of the square it is about."""
        return EdgeRefused(self.code, f"{side} edge: {self.text}", {**self.data, "side": side})
