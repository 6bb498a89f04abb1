"""From outcomes to figures: coverage and bias of each stratum, the table, and the judgement by binomial limits."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from math import sqrt
from statistics import median
from typing import TYPE_CHECKING, Any

from study_cases import Outcome
from study_strata import STRATA

if TYPE_CHECKING:
    from rich.table import Table

STATED = 0.95
BAND = (0.93, 0.97)
TAIL = 1e-3
DROWNED = 0.5
COLUMNS = (
    "cases",
    "refused",
    "coverage %",
    "sweep alone %",
    "bias µm",
    "rms e/u",
    "median U µm",
    "false pass %",
    "false fail %",
)


@dataclass(frozen=True)
class Figures:
    """One stratum. Rates are shares of the cases with a finding; `z` is the error over the stated u.

    `false_pass` is the share of passes whose lens does not conform, `false_fail` of fails whose lens does; None where
    there was no such verdict. `sweep_coverage` is that of the sweep's own lines, the datum chain left out. `parts`
    gives for each line of the budget the root mean square of what it did over what was stated for it.
    """

    stratum: str
    cases: int
    findings: int
    refused: dict[str, int]
    coverage: float
    u_coverage: float
    sweep_coverage: float
    bias_um: float
    u_bias_um: float
    rms_z: float
    median_U_um: float
    verdicts: dict[str, int]
    false_pass: float | None
    false_fail: float | None
    flags: dict[str, int]
    parts: dict[str, float]
    low_limit: int
    high_limit: int

    @property
    def covered(self) -> int:
        return round(self.coverage * self.findings)

    @property
    def in_band(self) -> bool:
        return BAND[0] <= self.coverage and (self.cautious or self.coverage <= BAND[1])

    @property
    def plausible(self) -> bool:
        """Whether the count could come from a true 95 % (of a cautious stratum: or more), by binomial limits of 1 in
        1000 on either side."""
        return self.low_limit <= self.covered and (self.cautious or self.covered <= self.high_limit)

    @property
    def cautious(self) -> bool:
        return STRATA[self.stratum].cautious

    def as_json(self) -> dict[str, Any]:
        return {**asdict(self), "cautious": self.cautious, "in_band": self.in_band, "plausible": self.plausible}


def figures_of(stratum: str, outcomes: Sequence[Outcome]) -> Figures:
    """The figures of a stratum's outcomes. Raises ValueError where every case was refused."""
    from scipy.stats import binom

    found = [one for one in outcomes if one.refused is None]
    n = len(found)
    if not n:
        raise ValueError(f"every case of {stratum} was refused: {Counter(one.refused for one in outcomes)}")
    errors = [one.error_um for one in found]
    bias = sum(errors) / n
    spread = sqrt(sum((error - bias) ** 2 for error in errors) / max(n - 1, 1))
    coverage = sum(one.covered for one in found) / n
    return Figures(
        stratum=stratum,
        cases=len(outcomes),
        findings=n,
        refused=dict(Counter(one.refused for one in outcomes if one.refused is not None)),
        coverage=coverage,
        u_coverage=sqrt(max(coverage * (1.0 - coverage), STATED * (1.0 - STATED) / 10.0) / n),
        sweep_coverage=sum(one.sweep_covered for one in found) / n,
        bias_um=bias,
        u_bias_um=spread / sqrt(n),
        rms_z=sqrt(sum((one.error_um / one.u_um) ** 2 for one in found) / n),
        median_U_um=median(one.U_um for one in found),
        verdicts=dict(Counter(str(one.verdict) for one in found)),
        false_pass=_share([not one.conforms for one in found if one.verdict == "pass"]),
        false_fail=_share([one.conforms for one in found if one.verdict == "fail"]),
        flags=dict(Counter(flag for one in found for flag in one.flags)),
        parts=_parts(found),
        low_limit=int(binom.ppf(TAIL, n, STATED)),
        high_limit=int(binom.isf(TAIL, n, STATED)),
    )


def _share(wrong: Sequence[bool]) -> float | None:
    return sum(wrong) / len(wrong) if wrong else None


def _parts(found: Sequence[Outcome]) -> dict[str, float]:
    names = found[0].parts
    stated = {name: [one.lines.get(name, 0.0) for one in found] for name in names}
    return {
        # Of all cases together: a line that goes with where the peak is may be next to nothing in some.
        name: sqrt(sum(one.parts[name] ** 2 for one in found) / sum(u * u for u in stated[name]))
        for name in names
        if min(stated[name]) > 0.0 and not (name == "subdivision" and _drowned(stated))
    }


def _drowned(stated: Mapping[str, Sequence[float]]) -> bool:
    """Whether the scale's subdivision is so far below the sweep's own doubt that nothing can be told of it: a fit of
    noisier readings takes others of them into its window once their places are evened."""
    return median(stated["subdivision"]) < DROWNED * median(stated["sweep"])


def table_of(all_figures: Sequence[Figures]) -> Table:
    """For the eye: one row a stratum."""
    from rich.table import Table

    table = Table(title="Does the stated 95 % interval of the focus error hold the truth?")
    table.add_column("stratum", no_wrap=True)
    for name in COLUMNS:
        table.add_column(name, justify="right")
    table.add_column("")
    for one in all_figures:
        remark = "" if one.in_band else f"outside {100 * BAND[0]:.0f}-{100 * BAND[1]:.0f} %"
        if not one.plausible:
            remark += f"{', ' if remark else ''}not 95 % by chance"
        table.add_row(
            one.stratum,
            str(one.cases),
            str(sum(one.refused.values())),
            f"{100 * one.coverage:.1f} ± {100 * one.u_coverage:.1f}",
            f"{100 * one.sweep_coverage:.1f}",
            f"{one.bias_um:+.2f} ± {one.u_bias_um:.2f}",
            f"{one.rms_z:.2f}",
            f"{one.median_U_um:.2f}",
            _percent(one.false_pass),
            _percent(one.false_fail),
            remark,
            style=None if one.in_band else "bold red",
        )
    return table


def parts_table_of(all_figures: Sequence[Figures]) -> Table:
    """Where a coverage comes from: rms of each line's true contribution over its stated uncertainty."""
    from rich.table import Table

    table = Table(title="Root mean square of each line's own error over the uncertainty stated for it")
    table.add_column("stratum")
    names = list(dict.fromkeys(name for one in all_figures for name in one.parts))
    for name in names:
        table.add_column(name, justify="right")
    for one in all_figures:
        table.add_row(one.stratum, *(f"{one.parts[name]:.2f}" if name in one.parts else "-" for name in names))
    return table


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100 * share:.1f}"


def refusals_of(all_figures: Sequence[Figures]) -> list[str]:
    """One line for each reason why cases ended without a finding: neither covered nor uncovered."""
    return [
        f"{one.stratum}: {count} of {one.cases} refused: {reason}"
        for one in all_figures
        for reason, count in sorted(one.refused.items())
    ]


def by_stratum(results: Mapping[str, Sequence[Outcome]]) -> list[Figures]:
    return [figures_of(name, outcomes) for name, outcomes in results.items()]
