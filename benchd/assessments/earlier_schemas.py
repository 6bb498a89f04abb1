"""Findings as they were written before, in the form of today: what was measured stays readable."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.assessments.finding import SCHEMA
from benchd.assessments.lines import shares_of
from benchd.errors import BenchdError

NOT_ITS_LINES: Mapping[tuple[str, str], frozenset[str]] = {("glass_toggle", "shift"): frozenset({"plate record"})}
"""Of findings with one budget for all their values: (assessment, value) -> the lines that are not of that one."""


def upgraded(doc: Mapping[str, Any]) -> dict[str, Any]:
    """The document of a finding of any schema up to today's.

    Raises BenchdError (bad_request) for one that a later version wrote: half understood is misunderstood.
    """
    schema = doc.get("schema", 1)
    if schema == SCHEMA:
        return dict(doc)
    if schema > SCHEMA:
        raise BenchdError(
            "bad_request",
            f"Finding {doc.get('finding')} is of schema {schema}; this benchd reads up to {SCHEMA}.",
            advice="Read it with the version of benchd that wrote it, or a later one.",
        )
    return _second(doc)


def _second(doc: Mapping[str, Any]) -> dict[str, Any]:
    """From the first schema: one budget for all values; that a length calibrates its artefact went without saying."""
    found: dict[str, Any] = {}
    for key, value in doc.items():
        if key == "budget":
            found["budgets"] = {
                name: [line for line in value if line["term"] not in NOT_ITS_LINES.get((doc["assessment"], name), ())]
                for name, one in doc["values"].items()
                if one.get("U") is not None
            }
            continue
        if key == "notes" and (calibrates := _calibrates(doc)):
            found["calibrates"] = calibrates
        found[key] = value
        if key == "finding":
            found["schema"] = 2
    return found


def _calibrates(doc: Mapping[str, Any]) -> list[dict[str, Any]]:
    artefact, values = doc["measurand"].get("artefact"), doc["values"]
    if artefact is None or "length" not in values:
        return []
    stood = values.get("carriage", {}).get("value")
    shares = {"shares": shares_of({line["term"]: line["u"] for line in doc["budget"]})}
    return [{"artefact": artefact, "value": "length"} | ({} if stood is None else {"carriage_um": stood}) | shares]
