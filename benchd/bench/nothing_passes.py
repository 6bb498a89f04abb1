"""Whether a set-up is too uncertain for any lens to pass, told before a sweep is taken for nothing."""

from __future__ import annotations

from collections.abc import Iterable

from benchd.bench.analysis import Analysis
from benchd.bench.chain import Chain, ChainTerm
from benchd.bench.events import Events
from benchd.files.artefacts import Lens
from benchd.metrology.budget import Term


def chain_budget(chain: Chain) -> tuple[Term, ...]:
    """The chain's independent lines as they enter the budget of a focus error."""
    return as_lines(chain.budget)


def as_lines(terms: Iterable[ChainTerm]) -> tuple[Term, ...]:
    """Terms of the chain as lines of a budget."""
    return tuple(Term(t.term, t.u_um, t.kind, t.dof, t.source, t.shape, t.parts) for t in terms)


async def say_if_nothing_can_pass(chain: Chain, lens: Lens, analysis: Analysis, events: Events) -> None:
    """A warning `cannot_pass` with the largest line of the budget; nothing where there is no absolute zero."""
    from benchd.assessments.flange import could_pass_nothing

    if lens.tolerance is None or not chain.absolute:
        return
    terms = chain_budget(chain)
    if await analysis.run(could_pass_nothing, terms, lens.tolerance.flange_um):
        worst = max(terms, key=lambda term: term.u)
        events.tell(
            "cannot_pass",
            f"As it is set up, this bench could pass no lens at +-{lens.tolerance.flange_um:g} µm.",
            severity="warning",
            advice=f"The largest line is {worst.term}, u = {worst.u:.1f} µm ({worst.source}).",
        )
