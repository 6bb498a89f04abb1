"""Translates between typed words and the contract: keys, and refusals in the words that were typed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchd.errors import Refused
from benchd.files.wording import ended

if TYPE_CHECKING:
    from pydantic import BaseModel

FORMS = {
    "m": "a value with its standard uncertainty, such as 0.0102+-0.00001",
    "ring": 'hard_stop, infinity, free, or a mark as engraved, {"mark": 2}',
    "inputs": "{..}; `benchd run PROCEDURE` takes them as key=value",
    "value": "true or false, a number or text; a mark is the text sharp",
    "about": "nominal, here, or an offset in \u00b5m",
}
"""How a value is typed that is no plain number or text."""
UNITS = {
    "lp_mm": "lp/mm",
    "_ms": "ms",
    "_um": "\u00b5m",
    "_mm": "mm",
    "_nm": "nm",
    "_C": "\u00b0C",
    "_s": "s",
    "_deg": "degrees",
}


def unit_of(key: str) -> str:
    """The unit at the end of a key, in words; empty where there is none."""
    return next((word for end, word in UNITS.items() if key.endswith(end)), "")


def in_typed_words(verb: str, refused: Refused) -> Refused:
    """The same refusal with the keys as typed in `benchd do`: those under `set` are typed without it."""
    problems = refused.data.get("problems")
    if refused.code != "bad_request" or not problems or not isinstance(problems[0], dict):
        return refused
    texts = []
    for problem in problems:
        key = str(problem["where"]).removeprefix("set.")
        root = key.partition(".")[0]
        texts.append(f"{key}: {FORMS.get(root, problem['what'])}" if key else str(problem["what"]))
    advice = f"`benchd do {verb} --help` says what it takes."
    return Refused(refused.code, ended("; ".join(texts)), advice=advice, data=refused.data)


def keys_of(*models: type[BaseModel]) -> tuple[set[str], set[str]]:
    """The keys whose value is always text, and those whose value is a list."""
    found: dict[str, set[str]] = {}
    for model in models:
        for key, schema in model.model_json_schema().get("properties", {}).items():
            found.setdefault(key, set()).update(option.get("type", "?") for option in schema.get("anyOf", [schema]))
    kinds = {key: types - {"null"} for key, types in found.items()}
    return {key for key, types in kinds.items() if types == {"string"}}, {
        key for key, types in kinds.items() if types == {"array"}
    }
