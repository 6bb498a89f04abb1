"""Notes on a chain: what makes it relative, what was assumed, which uncertainties were widened."""

from __future__ import annotations

from collections.abc import Sequence

from benchd.arrangements.conjugate import ConjugateTerm
from benchd.arrangements.setup_document import SetupDocument
from benchd.bench.datum.bounded_terms import Bounded
from benchd.bench.datum.chain_terms import Length
from benchd.bench.datum.position_terms import POSITION_UNKNOWN, ScaleRecord
from benchd.files.artefacts import plates
from benchd.files.bench_file import BenchFile
from benchd.files.records_folder import Records
from benchd.optics.expansion import REFERENCE_C


def why_relative(
    base: Length, scale: ScaleRecord | None, bounded: Bounded, conjugate: ConjugateTerm | None
) -> tuple[str, ...]:
    """What keeps findings from being absolute, in clauses."""
    found = [] if base.calibrated else ["the bench's base is not calibrated"]
    if scale is None:
        found.append(POSITION_UNKNOWN)
    if bounded.why_relative:
        found.append(bounded.why_relative)
    by_lens = "no lens is stated" if conjugate is None else conjugate.why_relative
    return (*found, by_lens) if by_lens else tuple(found)


def notes(
    bench_file: BenchFile,
    records: Records,
    setup: SetupDocument,
    parts: Sequence[Length],
    conjugate: ConjugateTerm | None,
    *,
    taken_back: bool,
) -> tuple[str, ...]:
    """Assumptions and widened uncertainties, in sentences; `taken_back`: whether the scale's growth is known."""
    notes = list(conjugate.notes) if conjugate else ["No lens: the nominal place is not stated."]
    base, *adapters = parts
    if not base.calibrated:
        notes.append(
            f"Base not calibrated: {base.length_um:.0f} µm as given, u = {base.u_um:g} µm; findings are relative."
        )
    for adapter in adapters:
        if not adapter.calibrated:
            name = adapter.term.removeprefix("adapter ")
            notes.append(f"Adapter {name} not calibrated: length {adapter.source}, u = {adapter.u_um:g} µm.")
    if setup.temperature_C is None:
        notes.append("Temperature not stated: within 10 K of 20 °C assumed.")
    elif abs(setup.temperature_C - REFERENCE_C) >= 0.5:
        with_scale = "base, adapters and scale are taken back to 20 °C, the lens itself is not."
        without = "base and adapters are taken back to 20 °C, the scale and the lens itself are not."
        notes.append(f"At {setup.temperature_C:g} °C: {with_scale if taken_back else without}")
    if setup.trim_um:
        notes.append(f"A trim of {setup.trim_um:+g} µm stands; it is no part of the focus error.")
    layers = plates(
        [*bench_file.target.cover, *(layer for glass in setup.glass for layer in records.glass(glass).layers)]
    )
    others = sorted({layer.at_nm for layer in layers if setup.light_nm is not None and layer.at_nm != setup.light_nm})
    if others:
        stated = " and ".join(f"{at_nm:g}" for at_nm in others)
        notes.append(f"Glass index stated at {stated} nm, light is {setup.light_nm:g} nm: its doubt is widened.")
    return tuple(notes)
