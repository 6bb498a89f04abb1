"""Residual focus shift of a plate other than the one that a lens was designed for, and its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence

from benchd.files.artefacts import Layer
from benchd.files.records_folder import Records

GLASS_RESIDUAL_U_REL = 0.18
"""Half of the marginal excess is reported; modulation peaks at .5 to .66 of it, depending on frequency and f-number
(quadrature of the transfer function, f/2 to f/4, 10 to 80 lp/mm), taken as rectangular about the half."""


def glass_residual(fitted: Sequence[Layer], designed: Sequence[Layer], f_number: float) -> tuple[float, float]:
    """Residual of the fitted plates against those a lens was designed for, and its standard uncertainty, um.

    The model's share is proportional to the residual. That of thickness and index is not: two plates of one record are
    two pieces with independent errors.
    """
    from benchd.optics.plate import Plate, longitudinal_u_um, residual_um

    def plates(layers: Sequence[Layer]) -> list[Plate]:
        return [Plate(layer.thickness_mm, layer.index) for layer in layers]

    value = residual_um(plates(fitted), plates(designed), f_number)
    pieces = [
        0.5 * longitudinal_u_um(layer.thickness_mm, layer.u_mm, layer.index, layer.u_index, f_number)
        for layer in (*fitted, *designed)
    ]
    return value, math.hypot(GLASS_RESIDUAL_U_REL * value, *pieces)


def other_glass(fitted: Sequence[str], designed: str | None) -> str | None:
    """A clause saying which glass is behind a lens instead of the one its record names; None if it is that one."""
    if set(fitted) == ({designed} if designed else set()):
        return None
    fitted_text = f"with glass {' and '.join(fitted)}" if fitted else "without glass"
    if designed is None:
        return f"{fitted_text}, while its record names none that it was designed for"
    return f"{fitted_text}, while its record says that it was designed for {designed}"


def glass_question_text(lens: str | None, fitted: Sequence[str], records: Records) -> str | None:
    """The question before a lens is measured through glass that is not its own; None if it is its own."""
    other = None if lens is None else other_glass(fitted, records.lens(lens).designed_for_glass)
    return f"Lens {lens} stands {other}: is that meant?" if other else None
