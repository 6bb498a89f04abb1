"""Converts findings of earlier schemas to the present one, so that they stay readable."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from benchd.assessments.finding import SCHEMA
from benchd.assessments.lines import shares_of
from benchd.errors import BenchdError

NOT_ITS_LINES: Mapping[tuple[str, str], frozenset[str]] = {("glass_toggle", "shift"): frozenset({"plate record"})}
"""For findings with one budget for all values: (assessment, value) -> the lines that do not belong to that value."""


def upgrade_finding(doc: Mapping[str, Any]) -> dict[str, Any]:
    """The document of a finding of any schema up to the present one, in the present one.

    Raises BenchdError (bad_request) for a later schema, which could be misread.
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
    return _from_schema_1(doc)


def _from_schema_1(doc: Mapping[str, Any]) -> dict[str, Any]:
    """From schema 1, which had one budget for all values, and in which a length calibrated its artefact implicitly."""
    found: dict[str, Any] = {}
    for key, value in doc.items():
        if key == "budget":
            found["budgets"] = {
                name: [line for line in value if line["term"] not in NOT_ITS_LINES.get((doc["assessment"], name), ())]
                for name, entry in doc["values"].items()
                if entry.get("U") is not None
            }
            continue
        if key == "notes" and (calibrates := _implicit_calibrations(doc)):
            found["calibrates"] = calibrates
        found[key] = value
        if key == "finding":
            found["schema"] = 2
    return found


def _implicit_calibrations(doc: Mapping[str, Any]) -> list[dict[str, Any]]:
    artefact, values = doc["measurand"].get("artefact"), doc["values"]
    if artefact is None or "length" not in values:
        return []
    carriage_um = values.get("carriage", {}).get("value")
    shares = {"shares": shares_of({line["term"]: line["u"] for line in doc["budget"]})}
    return [
        {"artefact": artefact, "value": "length"}
        | ({} if carriage_um is None else {"carriage_um": carriage_um})
        | shares
    ]
