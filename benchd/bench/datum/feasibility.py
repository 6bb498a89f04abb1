"""Feasibility: warn before a sweep if the set-up is too uncertain for any lens to pass."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from benchd.bench.analysis import Analysis
from benchd.bench.datum.chain import Chain
from benchd.bench.events import Events
from benchd.files.artefacts import Lens
from benchd.metrology.budget import Term
from benchd.metrology.chain_term import ChainTerm
from benchd.metrology.decision import Improvement
from benchd.metrology.rounding import at_most, rounded


def chain_budget(chain: Chain) -> tuple[Term, ...]:
    """The chain's independent lines, for the budget of a focus error."""
    return as_lines(chain.budget)


def as_lines(terms: Iterable[ChainTerm]) -> tuple[Term, ...]:
    """Terms of the chain as lines of a budget."""
    return tuple(Term(t.term, t.u_um, t.kind, t.dof, t.source, t.shape, t.parts) for t in terms)


async def warn_if_infeasible(chain: Chain, lens: Lens, analysis: Analysis, events: Events) -> None:
    """Publish the warning `cannot_pass` with advice on what to improve; nothing for a relative chain."""
    from benchd.metrology.decision import could_pass_nothing

    if lens.tolerance is None or not chain.absolute:
        return
    tolerance_um = lens.tolerance.flange_um
    step = await analysis.run(could_pass_nothing, chain_budget(chain), -tolerance_um, tolerance_um)
    if step is not None:
        events.tell(
            "cannot_pass",
            f"As it is set up, this bench could pass no lens at +-{tolerance_um:g} µm.",
            severity="warning",
            advice=_advice(step, chain.improves),
        )


def _advice(step: Improvement, improves: Mapping[str, str]) -> str:
    """As for a finding's next step: the line of the budget, or its part, and what to do about it."""
    from benchd.assessments.improvements import advice_for
    from benchd.reports.words import next_line

    name, u_now = next_line({"dominant": step.dominant, "part": step.part}), rounded(0.0, step.u_now)[1]
    if step.u_needed is None or step.u_needed >= step.u_now:  # improving this line alone is not enough
        sentence = f"Most of the doubt is {name}, u = {u_now} µm"
    else:
        sentence = f"{name} lets a lens pass once its u is {at_most(step.u_needed)} µm instead of {u_now}"
    return f"{sentence[0].upper()}{sentence[1:]} ({step.source}): {advice_for(step.dominant, step.part, improves)}."
