"""How object, lens and detector stand to one another: one object for each arrangement a world may have.

The world asks the arrangement and never its name, so that all that tells one from another stands here.
"""

from __future__ import annotations

from collections.abc import Mapping

from benchd_simulators.world.arrangements.arrangement import Arrangement
from benchd_simulators.world.arrangements.autocollimation import Autocollimation, TwicePassed
from benchd_simulators.world.arrangements.collimator_reticle import CollimatorReticle
from benchd_simulators.world.arrangements.distant import Collimated, Wall
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.schema import WorldRecord

ARRANGEMENTS: Mapping[str, type[Arrangement]] = {
    "wall": Wall,
    "collimated": Collimated,
    "collimator_reticle": CollimatorReticle,
    "autocollimation": Autocollimation,
}


def arranged(record: WorldRecord, draws: Draws) -> Arrangement:
    """The arrangement of a world, its own quantities drawn."""
    return ARRANGEMENTS[record.arrangement](record, draws)


__all__ = ["ARRANGEMENTS", "Arrangement", "TwicePassed", "arranged"]
