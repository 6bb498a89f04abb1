"""Did other shims under a lens move its focus by what they are thick?"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchd.questions.question import Question
from benchd.questions.wording import Doc, Named

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.questions.evidence import Evidence

FLANGE = "flange"


class ShimProof(Question):
    """From the sweeps of the run at the set-up in force, and the last `flange` finding of the lens before it."""

    name = "shim_proof"
    asks = "Did other shims under the lens move its focus by what they are thick?"
    sweeps = 1
    at_set_up = True
    looks_back = FLANGE
    needs_earlier = True
    values: ClassVar = {
        "change": Named("Focus moved by"),
        "expected": Named("Expected by the shims"),
        "unexplained": Named("Unexplained"),
        "before": Named("Focus error before"),
        "after": Named("Focus error after"),
    }

    def answer(self, evidence: Evidence, of: str | None) -> Finding:
        from benchd.questions.flange import Flange
        from benchd.questions.shim_proof.assessment import ProofInput, assess

        before = evidence.earlier
        if before is None:
            raise self.nothing_earlier(str(evidence.setup.lens))
        after = Flange().answer(evidence, None).as_json()
        setup = evidence.setup.model_dump(mode="json")
        own = _own_share(evidence, before.setup, setup)
        lens = evidence.records.lens(str(evidence.setup.lens))
        given = ProofInput(
            head=evidence.head(self.name),
            before=before.finding,
            after=after,
            changed=_changed(before.setup, setup, before.finding, after, anew=own is not None),
            pairs=evidence.chain.joints,
            own_share_of_m=own,
            fitted_um=lens.shims_fitted_um,
        )
        return assess(given)

    def said(self, doc: Doc) -> str:
        from benchd.reports.numbers import number

        change, expected, left = (doc["values"][key] for key in ("change", "expected", "unexplained"))
        told = f"Best focus moved by {number(change['value'], 1, sign=True)} µm"
        if expected["value"] is None:
            return f"{told}."
        agrees = "as they should" if abs(left["value"]) <= left["U"] else "which they do not explain"
        return f"{told}, and the shims account for {number(expected['value'], 1, sign=True)} µm: {agrees}."


COMPARED = ("adapters", "glass", "ring", "distance_rev", "f_number", "light_nm", "support")
OF_MEASURAND = ("merit", "lp_mm")
OF_EACH_TIME = ("joints", "stand-off", "thermal", "position", "trim", "carriage")
"""First words of the terms of a chain that are no other set-up where they differ."""

SAME_UM, SAME_U = 0.01, 0.05
"""Terms that differ by no more, and whose u's do by no more than this share, are the same statement."""


def _changed(before: Doc, after: Doc, then: Doc, now: Doc, *, anew: bool) -> tuple[str, ...]:
    """What of the set-up, of the terms of its chain, or of the calibrations in it is not what it was.

    `anew`: m was told again by the same marks, which is no change.
    """
    names = {"distance_rev": "distance_mm"}
    changed = [names.get(key, key) for key in COMPARED if before.get(key) != after.get(key)]
    changed += [key for key in OF_MEASURAND if then["measurand"].get(key) != now["measurand"].get(key)]
    if not anew and before.get("m") != after.get("m"):
        changed.append("m")
    if then["calibrations"] != now["calibrations"]:
        changed.append("calibrations")
    one, other = ({term["term"]: term for term in doc.get("chain", ())} for doc in (before, after))
    for name in dict.fromkeys([*one, *other]):
        if name.split(" ")[0] in OF_EACH_TIME or (anew and name == "conjugate"):
            continue
        if not _same(one.get(name), other.get(name)) and not (changed and name == "conjugate"):
            changed.append(name.replace("_", " "))
    return tuple(changed)


def _same(one: Doc | None, other: Doc | None) -> bool:
    if one is None or other is None:
        return False
    u, u_other = one["u_um"] or 0.0, other["u_um"] or 0.0
    return bool(abs(one["value_um"] - other["value_um"]) <= SAME_UM and abs(u - u_other) <= SAME_U * max(u, u_other))


def _own_share(evidence: Evidence, before: Doc, after: Doc) -> float | None:
    """What share of m's u is of each telling, beside what it was out of focus, where the same marks have told it twice;
    None where they have not."""
    from math import sqrt

    from benchd.bench.wall_marks import common_u_rel, marks_of

    marks, one, other = marks_of(evidence.arrangement), before.get("m"), after.get("m")
    if marks is None or one is None or other is None or one == other:
        return None
    if not one.get("by") == other.get("by") == marks.by:
        return None
    in_focus = [(m["u"] ** 2 - m.get("u_out_of_focus", 0.0) ** 2) / m["value"] ** 2 for m in (one, other)]
    return sqrt(max(0.0, 1.0 - common_u_rel(evidence.file.target, marks) ** 2 / min(in_focus)))
