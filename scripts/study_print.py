"""Everything of one case, to find out why it is as it is."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from study_cases import Case, carry_out
from study_strata import Stratum


def print_case(stratum: Stratum, seed: int, index: int) -> None:
    """Draws, calibrations, chain, budget, and what each line did."""
    case = carry_out(stratum, seed, index)
    console = Console()
    console.print(f"{stratum}", highlight=False)
    console.print(_draws(case))
    for artefact, found in case.bench.findings.items():
        length = found.values["length"]
        console.print(f"{artefact}: {length.value:.2f} µm, u {length.u:.2f} µm, dof {length.dof}", highlight=False)
    if case.outcome.refused is not None or case.fit is None or case.finding is None:
        console.print(f"Refused: {case.outcome.refused}")
        return
    console.print(_chain(case))
    console.print(_budget(case))
    fit, outcome, truth = case.fit, case.outcome, case.truth
    console.print(
        f"fit: peak {fit.peak_um:+.3f} µm, u {fit.u_um:.3f}, dof {fit.dof}, chi2/dof {fit.chi2_per_dof:.2f}, "
        f"HWHM {fit.hwhm_um:.1f} µm, {outcome.inside} readings inside, flags {', '.join(fit.flags) or 'none'}",
        highlight=False,
    )
    console.print(
        f"truth: peak {truth.peak_um:.3f} - glass {truth.glass_um:.3f} - cover {truth.cover_um:.3f} "
        f"- conjugate {truth.conjugate_um:.3f} - flange {truth.flange_um:.1f} = {truth.error_um:+.3f} µm",
        highlight=False,
    )
    stated = case.finding.values["focus_error"]
    console.print(
        f"stated {stated.value:+.3f} µm, u {stated.u:.3f}, k {stated.k:.3f}, U {stated.U:.3f}; error "
        f"{outcome.error_um:+.3f} µm, z {outcome.error_um / outcome.u_um:+.2f}, "
        f"{'covered' if outcome.covered else 'not covered'}; {outcome.verdict}, "
        f"{'conforms' if outcome.conforms else 'does not conform'}",
        highlight=False,
    )


def _draws(case: Case) -> Table:
    table = Table(title="Drawn")
    for name in ("quantity", "record", "u", "true - record", "in u"):
        table.add_column(name, justify="left" if name == "quantity" else "right")
    for name, row in case.world.draws.table().items():
        record, u, true = (float(str(row[key])) for key in ("record", "u", "true"))
        apart = true - record
        table.add_row(name, f"{record:.7g}", f"{u:.3g}", f"{apart:+.4g}", f"{apart / u:+.2f}" if u else "-")
    return table


def _chain(case: Case) -> Table:
    table = Table(title="Datum chain")
    for name in ("term", "value µm", "u µm", "dof", "source"):
        table.add_column(name, justify="right" if "µm" in name else "left")
    for term in case.chain.terms:
        dof = "-" if term.dof is None else f"{term.dof:.1f}"
        table.add_row(
            term.term, f"{term.value_um:.3f}", "-" if term.u_um is None else f"{term.u_um:.3f}", dof, term.source
        )
    return table


def _budget(case: Case) -> Table:
    assert case.finding is not None
    table = Table(title="Budget, and what each line did")
    for name in ("line", "u µm", "did µm", "in u"):
        table.add_column(name, justify="left" if name == "line" else "right")
    parts = case.outcome.parts
    for line in case.finding.budgets["focus_error"]:
        part = parts.get(line.term.split(" ")[0]) if line.term != "position subdivision" else None
        # what subdivision and frequency did stands with the sweep, and so does their u
        u = case.outcome.lines["sweep"] if line.term == "sweep" else line.u
        did, ratio = ("-", "-") if part is None else (f"{part:+.3f}", f"{part / u:+.2f}")
        table.add_row(line.term, f"{line.u:.3f}", did, ratio)
    return table
