"""A rectangle of a picture about one edge of the target."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from numpy.typing import NDArray

Orientation = Literal["v", "h"]
"""`v`: an edge near vertical, crossed by the rows; `h`: near horizontal, crossed by the columns."""
Side = Literal["left", "right", "top", "bottom"]


@dataclass(frozen=True, slots=True)
class Region:
    """A rectangle of the picture about one edge; `row` and `col` of its first pixel."""

    row: int
    col: int
    height: int
    width: int
    orientation: Orientation
    side: Side

    def cut(self, picture: NDArray[Any]) -> NDArray[Any]:
        """The region's pixels, a view."""
        return picture[self.row : self.row + self.height, self.col : self.col + self.width]

    def upright(self, picture: NDArray[Any]) -> NDArray[Any]:
        """The region's pixels with the edge near vertical, a view."""
        return self.cut(picture).T if self.orientation == "h" else self.cut(picture)
