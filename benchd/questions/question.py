"""What a question of the job has to be. Our own and anybody's are found by the entry point group `benchd.questions`.

    class Spread(Question):
        name = "spread"
        asks = "How alike are repeated readings?"
        readings = ("seated",)

        def answer(self, evidence, of):
            ...
            return Finding.model_validate({**evidence.head(self.name), ...})

A question is made anew wherever it is asked or shown, without arguments, and holds nothing between two calls. Its
module is imported wherever findings are shown: what is heavy is imported where it is used.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, ClassVar, Literal

from benchd.errors import Refused
from benchd.questions.wording import Wording

if TYPE_CHECKING:
    import numpy as np

    from benchd.assessments.finding import Finding
    from benchd.files.records_folder import Records
    from benchd.questions.evidence import Evidence

QUESTION_API = 1

Kind = Literal["adapter", "glass", "reference", "lens"]
Stratum = Callable[["np.random.Generator"], tuple["Finding", str, float]]
"""A case of the accuracy study: from drawn numbers to a finding, the name of its value that is held against the truth,
and that truth, which the assessment cannot see."""


class Question(Wording, ABC):
    """One question of the job: what it goes by, the answer, and (as a `Wording`) how a finding of it reads.

    `asks` is the question in one sentence. `of` is the kind of record that it is about, None where the set-up says
    all. `sweeps` is the least number of sweeps of the run that it takes, with `at_set_up` of those at the set-up in
    force alone; `readings` are the names under which those that it goes by are kept. To ask sooner is refused, by dry
    runs as well. `improves` says what betters a line of the budget of its own, by the first word of the line's name.
    `calibrates` says whether a finding may come into force. An answer takes at most `at_most_s`.
    """

    question_api: ClassVar[int] = QUESTION_API
    name: ClassVar[str]
    asks: ClassVar[str]
    of: ClassVar[Kind | None] = None
    sweeps: ClassVar[int] = 0
    at_set_up: ClassVar[bool] = False
    readings: ClassVar[tuple[str, ...]] = ()
    improves: ClassVar[Mapping[str, str]] = {}
    calibrates: ClassVar[bool] = False
    at_most_s: ClassVar[float] = 60.0

    @abstractmethod
    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        """The finding; a pure function, called in the worker process.

        Raises Refused (not_found, bad_request) where the evidence does not say it.
        """

    def check_sweeps(self, taken: int) -> None:
        """Raise Refused('not_found') where so many sweeps are too few."""
        if taken >= self.sweeps:
            return
        where = " at the set-up in force" if self.at_set_up else ""
        holds = f"{taken} sweep{'s' if taken > 1 else ''}" if taken else "no sweep"
        text = f"This run holds {holds}{where}"
        if self.sweeps > 1:
            text += f"; {self.name} takes {self.sweeps}"
        raise Refused("not_found", f"{text}.", advice="Sweep first.")

    def check_of(self, of: str | None, records: Records | None = None) -> None:
        """Raise Refused('bad_request') where the artefact is not stated, or is and counts for nothing.

        With `records` also 'unknown_name' for one that is in none.
        """
        if self.of is not None and of is None:
            text, advice = f"{self.name} needs the {self.of} that it is of.", f"Give `of`, such as ${{{self.of}}}."
            raise Refused("bad_request", text, advice=advice)
        if self.of is None and of is not None:
            text = f"{self.name} is of what the set-up states, and of nothing else."
            raise Refused("bad_request", text, advice="Leave `of` away.")
        if records is not None and of is not None and self.of is not None:
            {"adapter": records.adapter, "glass": records.glass, "reference": records.reference, "lens": records.lens}[
                self.of
            ](of)

    def strata(self) -> Mapping[str, Stratum]:
        """What `scripts/study` draws of it by name: of each the share of intervals is told that hold the truth."""
        return {}
