"""The evidence for a question: a run's sweeps and readings, the set-up and chain they were taken at, the files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from benchd.errors import Refused

if TYPE_CHECKING:
    from benchd.arrangements.arrangement import Arrangement
    from benchd.arrangements.setup_document import SetupDocument
    from benchd.bench.bench import Bench
    from benchd.bench.datum.chain import Chain
    from benchd.bench.datum.chain_terms import Temperature
    from benchd.bench.datum.position_terms import ScaleRecord
    from benchd.bench.run_record import RunRecord
    from benchd.bench.sweep.sweep_data import SweepData
    from benchd.devices import GaugeSpec
    from benchd.files.bench_file import BenchFile
    from benchd.files.records_folder import Records
    from benchd.records.values import ReadingRow

INDICATOR = "indicator"
FINDINGS_OF_A_RUN = 50
"""More than one run makes of a kind, so that an earlier one's is among so many."""


@dataclass(frozen=True, slots=True)
class Earlier:
    """A finding of an earlier run about the lens, and the set-up that it was made at."""

    finding: Mapping[str, Any]
    setup: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Evidence:
    """Evidence of one run, in the order taken: `sweeps`, and `readings` by the names they were kept under.

    `scale` is the stated position errors of the carriage, None if not stated; `position_u_um` the noise of a position
    and `period_um` the period of the scale's subdivision, both in offset, the latter None where it is not stated;
    `indicator` the stated figures of the gauge in that role, None without one. `at` is now (RFC 3339), `last_index`
    that of the run's last reading. `history` are the findings that the question looks back to, one of each earlier run,
    newest first.
    """

    run: str
    sweeps: Sequence[SweepData]
    readings: Mapping[str, Sequence[ReadingRow]]
    last_index: int
    setup: SetupDocument
    chain: Chain
    temperature: Temperature
    file: BenchFile
    records: Records
    scale: ScaleRecord | None
    position_u_um: float
    period_um: float | None
    indicator: GaugeSpec | None
    at: str
    version: str
    history: Sequence[Earlier] = ()

    @property
    def earlier(self) -> Earlier | None:
        """The last finding that the question looks back to; None without one."""
        return self.history[0] if self.history else None

    @property
    def arrangement(self) -> Arrangement:
        """The arrangement of the bench."""
        from benchd.arrangements.registry import arrangement_of

        return arrangement_of(self.file)

    @property
    def light_nm(self) -> float:
        """Wavelength of the target's light."""
        return self.setup.wavelength_nm

    @property
    def sweeps_here(self) -> Sequence[SweepData]:
        """The sweeps at the set-up in force that have a point."""
        return [sweep for sweep in self.sweeps if sweep.setup == self.setup.rev and sweep.points]

    def head(self, assessment: str, *, lens: bool = True) -> dict[str, Any]:
        """The first keys of a finding's document; with `lens` False the finding is not about the lens in the set-up."""
        return {
            "finding": "",
            "assessment": assessment,
            "run": self.run,
            "setup": self.setup.rev,
            "lens": self.setup.lens if lens else None,
            "job": self.setup.job if lens else None,
            "at": self.at,
            "version": self.version,
        }

    def measurand(self, sweep: SweepData) -> dict[str, Any]:
        """The measurand of a sweep, as in a finding."""
        ring = self.setup.ring
        return {
            "arrangement": self.setup.arrangement,
            "ring": ring if isinstance(ring, str) or ring is None else {"mark": ring.mark},
            "f_number": sweep.f_number,
            "merit": sweep.merit,
            "lp_mm": sweep.lp_mm,
            "light_nm": self.light_nm,
            "glass": list(self.setup.glass),
            "response": "system",  # no record states a camera's own transfer function, so it is not divided out
        }

    def gauge(self) -> GaugeSpec:
        """The stated figures of the indicator. Raises Refused('unknown_name') without one."""
        if self.indicator is None:
            raise Refused("unknown_name", "No gauge has the role indicator.", advice="Give one that role.")
        return self.indicator


async def find_earlier(bench: Bench, run: RunRecord, looks_back: str | None, over: int = 1) -> Sequence[Earlier]:
    """The findings of that assessment about the lens in the set-up, newest first: the last of each of so many other
    runs, or fewer."""
    lens = bench.setup.document.lens
    if looks_back is None or lens is None:
        return ()
    last: dict[str, dict[str, Any]] = {}
    for doc in await bench.store.findings(assessment=looks_back, lens=lens, limit=over - 1 + FINDINGS_OF_A_RUN):
        if doc["run"] != run.id:
            last.setdefault(doc["run"], doc)
    found = list(last.values())[:over]
    return tuple([Earlier(doc, (await bench.store.setup(doc["setup"])).doc) for doc in found])


def collect_evidence(bench: Bench, run: RunRecord, version: str, history: Sequence[Earlier] = ()) -> Evidence:
    """A snapshot of what a run has measured, and of the bench's present state."""
    from benchd.bench.datum.chain import position_noise_um
    from benchd.devices import Gauge

    indicator = bench.assembly.in_role(INDICATOR, Gauge)
    period_um = None if bench.scale is None else bench.scale.period_um
    return Evidence(
        run=run.id,
        sweeps=tuple(run.sweeps),
        readings={name: tuple(rows) for name, rows in run.named.items()},
        last_index=run.last_index,
        setup=bench.setup.document,
        chain=bench.setup.chain,
        temperature=bench.setup.temperature,
        file=bench.file,
        records=replace(bench.loaded.records, sources={}),  # the source texts are not needed, and are large
        scale=bench.scale,
        position_u_um=_slope(bench) * position_noise_um(bench.scale, bench.assembly.position_resolution_um),
        period_um=None if period_um is None else abs(_slope(bench)) * period_um,
        indicator=None if indicator is None else indicator.spec,
        at=bench.clock.utc(),
        version=version,
        history=history,
    )


def _slope(bench: Bench) -> float:
    """Offset gained per um of carriage at nominal."""
    chain = bench.setup.chain
    return 1.0 if chain.carriage_um is None else chain.places.slope(chain.carriage_um)
