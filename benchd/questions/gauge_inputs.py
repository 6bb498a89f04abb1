"""Inputs of questions by gauge, from the evidence: pairs of readings, stated errors of gauge and scale, temperature."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from benchd.bench.datum.bounded_terms import abbe_u_um
from benchd.bench.datum.chain_terms import cover_u_um
from benchd.bench.datum.feasibility import as_lines
from benchd.bench.datum.gauge_check import sign_of
from benchd.bench.datum.position_terms import POSITION_UNKNOWN, ScaleRecord, place_terms, position_notes
from benchd.errors import Refused
from benchd.files.artefacts import full_thickness_mm
from benchd.questions.comparator import About, Comparator, Known, Pair, Thermal, let_down

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.devices import GaugeSpec
    from benchd.files.bench_file import BenchFile
    from benchd.questions.evidence import Evidence
    from benchd.records.values import ReadingRow

TIPPING_NOT_STATED = (
    "That the carriage tips on its way is taken as zero, without an uncertainty: write `abbe` in the bench file."
)
MOVED = "moved"
"""The name of the indicator reading taken after the carriage was moved under its tip."""
LET_DOWN = "let_down_on_ring"
"""The name of the indicator reading on a setting ring after the tip was lifted and let down."""


def remount_pairs(evidence: Evidence, first: str, second: str, *, moved: bool = True) -> list[Pair]:
    """One pair per remounting, from the readings kept under these names.

    `moved`: require a reading that shows the gauge's sign after a move of the carriage. Raises Refused('not_found').
    """
    firsts, seconds = evidence.readings.get(first, ()), evidence.readings.get(second, ())
    if len(firsts) != len(seconds) or len(firsts) < 2:
        raise Refused("not_found", f"The run holds {len(firsts)} readings '{first}' and {len(seconds)} '{second}'.")
    if moved and not evidence.readings.get(MOVED):
        raise Refused(
            "not_found",
            "Nothing shows which way the indicator counts.",
            advice=f"With its tip on the target, move the carriage by a known way and read again as {MOVED}, with "
            "`moved_from`, as the shipped procedures do.",
        )
    sign = sign_of(evidence.gauge())
    return [
        Pair(sign * _value(a), a.carriage_um or 0.0, sign * _value(b), b.carriage_um or 0.0)
        for a, b in zip(firsts, seconds, strict=True)
    ]


def zero_pairs(evidence: Evidence, face: str) -> tuple[list[Pair], Comparator]:
    """Readings on a setting ring and on a face, one pair per remounting, and the errors of indicator and carriage.

    A tip that was let down came out onto ring and face alike, so that most of its hysteresis cancels. That the hand did
    so shows on the face: the carriage then goes deeper and comes back, and the indicator reads the same again where the
    last motion lets the tip out. Raises Refused('not_found').
    """
    stated = stated_comparator(evidence)
    if not evidence.readings.get(LET_DOWN):  # a run from before the tip was let down
        return remount_pairs(evidence, "on_ring", f"on_{face}"), stated
    by_hand = remount_pairs(evidence, f"set_on_{face}", f"on_{face}")
    return remount_pairs(evidence, LET_DOWN, f"on_{face}"), let_down(stated, by_hand)


def stated_comparator(evidence: Evidence) -> Comparator:
    """The stated errors of indicator and carriage. Raises Refused('unknown_name') without an indicator."""
    stated = make_comparator(evidence.gauge(), evidence.scale)
    return replace(stated, u_seat_um=evidence.file.joint.u_um, u_abbe_um=abbe_u_um(evidence.file) or 0.0)


def thermal_state(evidence: Evidence) -> Thermal:
    """The temperature of the set-up."""
    return Thermal(evidence.temperature.at_C, evidence.temperature.u_K)


def about(evidence: Evidence) -> About:
    """The identification of the finding."""
    return About(
        run=evidence.run,
        setup=evidence.setup.rev,
        at=evidence.at,
        version=evidence.version,
        indices=(0, evidence.last_index),
        temperature_source=evidence.temperature.source,
    )


def make_comparator(gauge: GaugeSpec, scale: ScaleRecord | None) -> Comparator:
    """The stated errors of gauge and carriage position, in the form of the assessments."""
    # A gauge in that role states both; without a scale's record `note_unstated_position` makes the finding relative.
    return Comparator(
        resolution_um=gauge.resolution_um,
        hysteresis_um=gauge.hysteresis_um or 0.0,
        u_gain=gauge.u_gain or 0.0,
        u_scale=scale.u_scale if scale else 0.0,
        subdivision_um=scale.subdivision_um if scale and not scale.by_steps else 0.0,
        alpha_scale=scale.alpha_per_K if scale else None,
        at_a_place=as_lines(place_terms(scale)) if scale and scale.by_steps else (),
    )


def note_unstated_position(scale: ScaleRecord | None, finding: Finding) -> Finding:
    """The finding with notes on position errors that are not stated; relative if none is stated, as the lines of the
    position are then missing."""
    update: dict[str, Any] = {"notes": [*finding.notes, *position_notes(scale)]}
    if scale is None:
        update |= {"absolute": False, "why_relative": [*finding.why_relative, POSITION_UNKNOWN]}
    return finding.model_copy(update=update)


def cover_length(bench_file: BenchFile) -> Known | None:
    """Depth from the face of the plates over the target, on which a gauge's tip rests, to the target; None without."""
    target = bench_file.target
    if not target.cover:
        return None
    thickness = 1000.0 * full_thickness_mm(target.cover)
    return Known(thickness, cover_u_um(target.cover), None, f"target {target.id}, bench file")


def _value(row: ReadingRow) -> float:
    if row.value is None:
        raise Refused("not_found", f"Reading {row.idx} of {row.run} has no value.", advice="Take it again.")
    return row.value
