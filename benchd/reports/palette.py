"""How pictures look: colours, bare axes, and a file that is the same for the same finding.

Colours are of the Okabe-Ito set, and also distinguished by shape (circle, square, dot; full and broken lines), for grey
copies and colour-blind readers.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, SOFT, AWAY, RULE, PAPER = "#1d2731", "#5b6770", "#9aa4ab", "#d9dee2", "#ffffff"
VERTICAL, HORIZONTAL, FOCUS, LIMIT = "#0072b2", "#d55e00", "#009e73", "#a6437f"

COLOURS: dict[Any, str] = {
    "text.color": INK,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
}
"""Of what is written and ruled in a picture, as settings of matplotlib."""


@contextmanager
def sheet(width_in: float, height_in: float, *, dpi: int) -> Iterator[Figure]:
    """A context with an empty figure in these colours; text is never interpreted as a formula."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context({"text.parse_math": False, "font.size": 11.5, **COLOURS}):
        figure = Figure(figsize=(width_in, height_in), dpi=dpi, facecolor=PAPER)
        FigureCanvasAgg(figure)
        yield figure


def png(figure: Figure) -> bytes:
    """The picture; without a date or the library's version, so that the same finding gives the same file."""
    out = io.BytesIO()
    figure.savefig(out, format="png", metadata={"Software": None})
    return out.getvalue()


def note(axes: Axes, x: float, text: str, colour: str) -> None:
    """A few words above the top of the axes."""
    axes.annotate(
        text, (x, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points", ha="center",
        va="bottom", fontsize=9, color=colour,
    )  # fmt: skip


def plain(axes: Axes) -> None:
    """Two sides and a fine grid."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(color=RULE, lw=0.7)
    axes.set_axisbelow(True)
