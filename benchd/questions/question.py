"""The interface of questions of the job, found by the entry point group `benchd.questions`.

    class Spread(Question):
        name = "spread"
        asks = "How alike are repeated readings?"
        readings = ("seated",)

        def answer(self, evidence, of):
            ...
            return Finding.model_validate({**evidence.head(self.name), ...})

The daemon reads the declared attributes and runs none of the question's code: `answer` runs in the worker process, its
wording is called where findings are shown. An instance is made for each use, without arguments. Import heavy libraries
inside the methods that use them: the module is imported wherever findings are shown.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Mapping
from typing import TYPE_CHECKING, ClassVar, Literal, final

from benchd.errors import Refused
from benchd.questions.wording import Wording

if TYPE_CHECKING:
    from benchd.arrangements.arrangement import Arrangement
    from benchd.assessments.finding import Finding
    from benchd.files.records_folder import Records
    from benchd.metrology.drawn import Stratum
    from benchd.questions.evidence import Evidence

QUESTION_API = 1
"""The version of this interface; a class that does not state one was written for 1."""

Kind = Literal["adapter", "glass", "setting_ring", "flat", "lens"]
REFERENCES = ("setting_ring", "flat")
"""Kinds of records that are references."""
Target = Literal["carried", "fixed"]


class Question(Wording, ABC):
    """One question of the job: its inputs, the answer, and (as a `Wording`) how its findings are presented.

    `asks` is the question in one sentence. `of` is the kind of record that it is about, None if the set-up is enough.
    `target` restricts it to benches whose target rides on the carriage, or is fixed; `arrangement` to those of one
    arrangement, whose keys `arrangement_keys` the bench file has to state; `by_steps` to those whose steps are the
    carriage's position; `by_modulation` to detectors that measure a modulation. `sweeps` is the least number of sweeps
    of the run, `most_sweeps` the largest, `repeated` the least number that repeat another of the same lens by the same
    person; with `at_set_up` only those at the set-up in force count. `readings` are the names of the kept readings that
    it needs. Asking before these exist is refused, by dry runs as well.
    `looks_back` names an assessment: the evidence then has its last findings about the lens, of as many earlier runs as
    `looks_back_over` says, the last of each; with `needs_earlier` one has to be there. With `needs_m` the set-up has to
    have a magnification at each sweep.
    `improves` gives advice on its own lines of the budget, by the line's name or its first word. Only the findings of a
    question that `calibrates` may hold calibrations. An answer takes at most `at_most_s`.
    """

    question_api: ClassVar[int] = 1
    name: ClassVar[str]
    asks: ClassVar[str]
    of: ClassVar[Kind | None] = None
    target: ClassVar[Target | None] = None
    arrangement: ClassVar[str | None] = None
    arrangement_keys: ClassVar[tuple[str, ...]] = ()
    by_steps: ClassVar[bool] = False
    by_modulation: ClassVar[bool] = False
    sweeps: ClassVar[int] = 0
    repeated: ClassVar[int] = 0
    most_sweeps: ClassVar[int | None] = None
    at_set_up: ClassVar[bool] = False
    readings: ClassVar[tuple[str, ...]] = ()
    looks_back: ClassVar[str | None] = None
    looks_back_over: ClassVar[int] = 1
    needs_earlier: ClassVar[bool] = False
    needs_m: ClassVar[bool] = False
    improves: ClassVar[Mapping[str, str]] = {}
    calibrates: ClassVar[bool] = False
    at_most_s: ClassVar[float] = 60.0

    @abstractmethod
    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        """The finding; a pure function, called in the worker process.

        Raises Refused (not_found, bad_request) if the evidence does not suffice.
        """

    def strata(self) -> Mapping[str, Stratum]:
        """Strata of the accuracy study (`scripts/study`), by name, which counts how often intervals hold the truth."""
        return {}

    @final
    @classmethod
    def check_sweeps(cls, taken: int, kinds: int = 0) -> None:
        """Raise Refused('not_found') if `taken` sweeps are too few, too many, or repeat too little.

        `kinds` is how many of them are the first of their lens by their person; 0 if that is not known.
        """
        if kinds and taken - kinds < cls.repeated:
            raise Refused(
                "not_found",
                f"Of {taken} sweep{'s' * (taken > 1)} {taken - kinds} repeat another of the same lens by the same "
                f"person, and {cls.name} takes {cls.repeated} that do.",
                advice=f"Have each person seat each lens {math.ceil(cls.repeated / kinds) + 1} times, or name more "
                "lenses or more people.",
            )
        if cls.sweeps <= taken and (cls.most_sweeps is None or taken <= cls.most_sweeps):
            return
        text = f"This run holds {taken or 'no'} sweep{'s' if taken > 1 else ''}"
        text += " at the set-up in force" if cls.at_set_up else ""
        if cls.most_sweeps is not None:
            text += f"; {cls.name} takes {cls.sweeps}" + (f" to {cls.most_sweeps}" * (cls.most_sweeps != cls.sweeps))
        elif cls.sweeps > 1:
            text += f"; {cls.name} takes {cls.sweeps} and more"
        raise Refused("not_found", f"{text}.", advice="Sweep first." if taken < cls.sweeps else "Run it anew.")

    @final
    @classmethod
    def nothing_earlier(cls, lens: str) -> Refused:
        """The refusal of a lens that has no finding to look back to."""
        return Refused(
            "not_found",
            f"There is no earlier finding '{cls.looks_back}' of lens {lens} that {cls.name} could hold it against.",
            advice="Check the lens first, as it is: `next_lens`.",
        )

    @final
    @classmethod
    def no_m(cls) -> Refused:
        """The refusal of sweeps without a magnification in the set-up."""
        return Refused(
            "not_found",
            f"{cls.name} goes by distance and m at each of its sweeps, and m is not stated at all of them.",
            advice="State m by tape, or `marks_apart_mm` and `u_marks_apart_mm` of two marks on the wall in the bench "
            "file, for `magnification`.",
        )

    @final
    @classmethod
    def check_target(cls, moves: bool) -> None:
        """Raise Refused('bad_request') if the bench's target does not move, or is not fixed, as `target` requires."""
        if cls.target == "carried" and not moves:
            text = "the target stands fixed, and no carriage moves it"
        elif cls.target == "fixed" and moves:
            text = "the target rides on the carriage"
        else:
            return
        advice = "Ask what such a bench can tell: `about` lists the questions, and what it cannot tell."
        raise Refused("bad_request", f"On this bench {text}; {cls.name} cannot be asked.", advice=advice)

    @final
    @classmethod
    def check_steps(cls, counted: bool) -> None:
        """Raise Refused('bad_request') on a bench whose carriage stands where its steps say, if nothing is stated of
        them, and on one with a scale, as `by_steps` requires the former."""
        if cls.by_steps and not counted:
            raise Refused(
                "bad_request",
                f"{cls.name} is a question of steps: here they are not the position, or nothing is stated of them.",
                advice="With a scale in the role `position` its own figures count, and nothing needs to be done; "
                "without one write `steps: {u_pitch, periodic_um, period_um, u_backlash_um, u_home_um, alpha_per_K}` "
                "in the bench file.",
            )

    @final
    @classmethod
    def check_merit(cls, merit: str, modulation: bool) -> None:
        """Raise Refused('bad_request') for sweeps by a detector whose curves have no width that `by_modulation` asks
        for."""
        if cls.by_modulation and not modulation:
            raise Refused(
                "bad_request",
                f"{cls.name} goes by the width of a modulation's curve, and merit {merit} has none.",
                advice="Measure with a camera as the detector; a plate is known by its record as well.",
            )

    @final
    @classmethod
    def check_arrangement(cls, stands: Arrangement) -> None:
        """Raise Refused('bad_request') on a bench of another arrangement, or whose file lacks a key it goes by."""
        if cls.arrangement is None:
            return
        if cls.arrangement != stands.name:
            raise Refused(
                "bad_request",
                f"On this bench ({stands.name}) stands {stands.stands}; {cls.name} is a question of {cls.arrangement}.",
                advice="Ask what such a bench can tell: `about` lists the questions, and what it cannot tell.",
            )
        missing = [key for key in cls.arrangement_keys if getattr(stands.config, key) is None]
        if missing:
            raise Refused(
                "bad_request",
                f"{cls.name} goes by {' and '.join(missing)}, which the bench file does not state.",
                advice=f"Write them under `arrangement`: {{kind: {stands.name}, {': .., '.join(missing)}: ..}}.",
                data={"keys": [f"arrangement.{key}" for key in missing]},
            )

    @final
    @classmethod
    def check_of(cls, of: str | None, records: Records | None = None) -> None:
        """Raise Refused('bad_request') if the artefact is missing, or is stated for a question without one.

        With `records` also for one of another kind, and 'unknown_name' for one without a record.
        """
        kind = "reference" if cls.of in REFERENCES else cls.of
        if kind is not None and of is None:
            text, advice = f"{cls.name} needs the {kind} that it is of.", f"Give `of`, such as ${{{kind}}}."
            raise Refused("bad_request", text, advice=advice)
        if kind is None and of is not None:
            text = f"{cls.name} is of what the set-up states, and of nothing else."
            raise Refused("bad_request", text, advice="Leave `of` away.")
        if records is not None and of is not None:
            _check_record(records, cls.of, of)


def _check_record(records: Records, kind: Kind | None, name: str) -> None:
    match kind:
        case "adapter":
            records.adapter(name)
        case "glass":
            records.glass(name)
        case "lens":
            records.lens(name)
        case "setting_ring":
            ring = records.reference(name)
            if ring.kind != kind or ring.given is None or ring.material is None:
                raise Refused("bad_request", f"Reference {name} is a {ring.kind}.", advice="Name a setting_ring.")
        case "flat":
            flat = records.reference(name)
            if flat.kind != kind:
                raise Refused("bad_request", f"Reference {name} is a {flat.kind}.", advice="Name a flat.")
            if flat.flat is None:
                raise Refused(
                    "bad_request",
                    f"Record {name} does not say how flat it is.",
                    advice=f"Write `flat: {{flatness_um: .., over_mm: ..}}` into references/{name}.yaml.",
                )
