"""Answers a question in the worker process, where code of other packages cannot harm the daemon."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from benchd.errors import BenchdError, ErrorCode, Refused
from benchd.questions.evidence import Evidence
from benchd.questions.question import Question
from benchd.questions.registry import question

if TYPE_CHECKING:
    from benchd.assessments.finding import Finding
    from benchd.bench.analysis import Analysis

AnswerResult = dict[str, Any] | tuple[ErrorCode, str, str]
"""A finding's document; or the refusal: code, text, advice."""

READINGS_KEPT = "The readings are kept. Where this comes again, its author has to see to it."


async def answer(analysis: Analysis, name: str, evidence: Evidence, of: str | None) -> dict[str, Any]:
    """The document of the finding.

    Raises Refused, as the question does; BenchdError (device_fault, timeout) if its code fails or does not end.
    """
    asked = question(name)
    asked.check_target(evidence.arrangement.moves_target)
    asked.check_steps(evidence.scale is not None and evidence.scale.by_steps)
    asked.check_arrangement(evidence.arrangement)
    asked.check_of(of, evidence.records)
    sweeps = evidence.sweeps_here if asked.at_set_up else evidence.sweeps
    asked.check_sweeps(len(sweeps), len({(sweep.stands[0], sweep.seated_by) for sweep in sweeps}))
    try:
        async with asyncio.timeout(asked.at_most_s):
            found = await analysis.run_without_retry(_answer_in_worker, name, evidence, of)
    except TimeoutError:
        await analysis.close()  # code that does not end would block all other work of the worker
        text = f"The assessment '{name}' was given up after {asked.at_most_s:g} s."
        raise BenchdError("timeout", text, advice=READINGS_KEPT, data={"assessment": name}) from None
    except asyncio.CancelledError:
        await asyncio.shield(analysis.close())  # it might never have ended
        raise
    if found is None:
        text = f"The process that worked on the assessment '{name}' has ended."
        raise BenchdError("device_fault", text, advice=READINGS_KEPT, data={"assessment": name})
    if isinstance(found, tuple):
        code, text, advice = found
        raise (BenchdError if code == "device_fault" else Refused)(code, text, advice=advice)
    return found


def load() -> None:
    """In the worker, while the carriage still moves: import the parts of evidence and what most answers need."""
    import benchd.arrangements.setup_document
    import benchd.bench.datum.chain
    import benchd.files.records_folder
    import benchd.questions.through_focus
    import benchd.records.values  # noqa: F401


def _answer_in_worker(name: str, evidence: Evidence, of: str | None) -> AnswerResult:
    """In the worker. Errors are returned as text: an exception of another package may not be picklable."""
    try:
        asked = question(name)
        return _checked_answer(asked().answer(evidence, of), asked, evidence).as_json()
    except BenchdError as refused:
        return refused.code, refused.text, refused.advice
    except BaseException as error:  # noqa: BLE001 another package may raise anything
        text = f"The assessment '{name}' failed: {type(error).__name__}: {error}".rstrip(".") + "."
        return "device_fault", text, READINGS_KEPT


def _checked_answer(found: Finding, asked: type[Question], evidence: Evidence) -> Finding:
    """The finding, checked to answer what was asked, with the advice of arrangement and question on their own lines.

    Raises ValueError for one of another name, run, set-up or lens, and for one that calibrates without declaring it.
    """
    from benchd.assessments.finding import Finding
    from benchd.assessments.judged import with_own_advice

    doc = found.as_json()
    asked_for = {"assessment": asked.name, "run": evidence.run, "setup": evidence.setup.rev}
    for key, wanted in asked_for.items():
        if doc[key] != wanted:
            raise ValueError(f"the finding is of {key} {doc[key]!r}, and {wanted!r} was asked for")
    if doc["lens"] not in (None, evidence.setup.lens):
        raise ValueError(f"the finding is of lens {doc['lens']!r}, and {evidence.setup.lens!r} stands on the bench")
    if doc.get("calibrates") and not asked.calibrates:
        raise ValueError(f"the finding calibrates something, and {asked.name} says that its findings do not")
    verdict = with_own_advice(with_own_advice(doc["verdict"], evidence.chain.improves), asked.improves)
    return Finding.from_json({**doc, "verdict": verdict})
