"""The inputs of a procedure as typed, read by what each input is."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from benchd.cli.guard import UsageError
from benchd.cli.values import pairs, value

_NUMBERS = frozenset({"length", "integer", "number"})
_TEXTS = frozenset({"lens", "adapter", "glass", "reference", "choice", "text"})


def from_words(words: Iterable[str], inputs: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """`key=value` words as JSON values. `inputs` are the procedure's as it describes them: type, unit, ...

    Only the form is interpreted: lists, lengths in their unit, ids that look like numbers. The bench checks whether a
    value is allowed. Raises UsageError.
    """
    kinds = {name: str(wanted["type"]) for name, wanted in inputs.items()}
    found = pairs(
        words,
        texts=[name for name, kind in kinds.items() if kind in _TEXTS],
        lists=[name for name, kind in kinds.items() if kind == "list"],
        units=(units := {name: str(wanted["unit"]) for name, wanted in inputs.items() if wanted.get("unit")}),
    )
    for name, given in found.items():
        if name not in inputs:
            raise UsageError(f"there is no input '{name}'; {listed(inputs)}")
        if isinstance(given, list) and inputs[name].get("of") in _NUMBERS:
            found[name] = [
                value(item, unit=units.get(name), key=name) if isinstance(item, str) else item for item in given
            ]
    return found


def listed(inputs: Mapping[str, Mapping[str, Any]]) -> str:
    """The inputs, those that may be left out in brackets."""
    names = [f"[{name}]" if {"default", "stands"} & {*wanted} else name for name, wanted in inputs.items()]
    return f"the inputs are {', '.join(names)}" if names else "it takes none"
