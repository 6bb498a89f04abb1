"""A question answered in the worker process, where code of others may raise or hang at no cost to the daemon."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from benchd.errors import BenchdError, ErrorCode, Refused
from benchd.questions.evidence import Evidence
from benchd.questions.registry import question

if TYPE_CHECKING:
    from benchd.bench.analysis import Analysis

Answered = dict[str, Any] | tuple[ErrorCode, str, str]
"""A finding's document; or the refusal: code, text, advice."""


async def answer(analysis: Analysis, name: str, evidence: Evidence, of: str | None) -> dict[str, Any]:
    """The document of the finding. Raises Refused, as the question does; BenchdError (device_fault, timeout) where
    its code fails or does not end."""
    asked = question(name)
    asked.check_of(of, evidence.records)
    asked.check_sweeps(len(evidence.sweeps_here if asked.at_set_up else evidence.sweeps))
    try:
        async with asyncio.timeout(asked.at_most_s):
            found = await analysis.run(_answered, name, evidence, of)
    except TimeoutError:
        await analysis.close()  # what does not end would keep everything else waiting
        text = f"The assessment '{name}' was given up after {asked.at_most_s:g} s."
        raise BenchdError("timeout", text, advice="Ask the author of its package.", data={"assessment": name}) from None
    if isinstance(found, tuple):
        code, text, advice = found
        raise (BenchdError if code == "device_fault" else Refused)(code, text, advice=advice)
    return found


def load() -> None:
    """In the worker, while the carriage still moves: what evidence is made of, and what most answers need."""
    import benchd.bench.chain
    import benchd.bench.setup
    import benchd.files.records_folder
    import benchd.questions.through_focus
    import benchd.records.values  # noqa: F401


def _answered(name: str, evidence: Evidence, of: str | None) -> Answered:
    """In the worker. What it raises is said in words: an exception of another package may not survive the way back."""
    try:
        return question(name).answer(evidence, of).as_json()
    except BenchdError as refused:
        return refused.code, refused.text, refused.advice
    except (Exception, SystemExit) as error:  # noqa: BLE001 another package may raise anything
        text = f"The assessment '{name}' failed: {type(error).__name__}: {error}".rstrip(".") + "."
        return "device_fault", text, "The readings are kept. Ask the author of its package."
