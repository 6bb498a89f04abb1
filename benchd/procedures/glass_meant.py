"""Glass that is not the lens's own is asked about before a run measures through it: a pane may be left in by mistake.

Once of each lens with its glass, and of what stands when it is asked. The sentence comes before a question to which a
yes is the only answer; where none comes before a sweep it is a question of its own. `glass_ahead` foresees both.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchd.bench.bench import Bench
from benchd.bench.glass_residual import asked_of_glass
from benchd.bench.run_record import RunRecord
from benchd.errors import Refused


@dataclass(frozen=True, slots=True)
class GlassAsk:
    """The sentence, and the lens with its glass that a yes counts for, whatever is put in meanwhile."""

    text: str
    lens: str
    glass: tuple[str, ...]

    def yes(self, run: RunRecord) -> None:
        """It is meant to stand so."""
        run.glass_meant.add((self.lens, self.glass))

    def no(self) -> Refused:
        """It is not, so nothing is measured through it."""
        return Refused(
            "bad_request",
            f"Nothing is measured: the glass behind lens {self.lens} is not meant to stand so.",
            advice=f"State the glass that stands behind it, or correct designed_for_glass in lenses/{self.lens}.yaml.",
            data={"lens": self.lens, "glass": list(self.glass)},
        )


def glass_ask(run: RunRecord, bench: Bench) -> GlassAsk | None:
    """What has to be asked of the set-up as it stands; None where the glass is the lens's own, or meant."""
    setup = bench.setup.document
    if setup.lens is None or (setup.lens, setup.glass) in run.glass_meant:
        return None
    text = asked_of_glass(setup.lens, setup.glass, bench.loaded.records)
    return None if text is None else GlassAsk(text, setup.lens, setup.glass)
