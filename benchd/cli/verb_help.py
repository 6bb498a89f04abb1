"""Help page of one verb, from the model of its arguments: types, bounds, units."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from benchd.arrangements.setup_document import SetupValues
from benchd.cli.typed import FORMS, unit_of
from benchd.verbs.setup import SetupArgs
from benchd.verbs.stop import DOES, StopArgs
from benchd.verbs.table import VERBS
from benchd.verbs.verb import NEVER, Need

Schema = Mapping[str, Any]

_KINDS = {
    "number": "a number",
    "integer": "a whole number",
    "string": "text",
    "boolean": "true or false",
    "array": "a list a,b,..",
}


MORE = {
    "setup": "A key that is given replaces the whole value, null clears it, the rest stays.",
    "record": "`benchd lens` and `benchd shim` take the keys of a lens as they are typed.",
    "take": "Control is a user's, not a terminal's: all terminals of one user share it.",
}
LEFT_OUT = {"run": "the one under way if left out"}
"""What `benchd do` puts in by itself."""


def page(verb: str) -> str:
    """The page of a verb: what it does, a line for each argument, what it needs."""
    spec = VERBS.get(verb)
    model: type[BaseModel] = StopArgs if spec is None else spec.args
    lines = [f"usage: benchd do {verb}{' key=value ..' if model.model_fields else ''}", ""]
    lines.append(DOES if spec is None else spec.does)
    rows = list(_rows(model))
    if rows:
        about = f"{' '.join((model.__doc__ or '').split())} {MORE.get(verb, '')}".rstrip()
        lines += ["", *_wrapped(about), "", "arguments:"]
        width = max(len(name) for name, _ in rows)
        for name, what in rows:
            first, *rest = _wrapped(what, width + 4)
            lines += [f"  {name:<{width}}  {first}", *(f"{'':<{width + 4}}{more}" for more in rest)]
    if spec is not None:
        needs = [f"the role '{spec.role}'"]
        needs += [f"control{_when(spec.control)}"] if _when(spec.control) is not None else []
        lines += ["", *_wrapped(f"Needs {' and '.join(needs)}. {CONTROL if len(needs) > 1 else ''}".rstrip())]
    caution = "" if spec is None else CAUTION if spec.beat is not NEVER else spec.caution
    if caution:
        lines += ["", *_wrapped(caution)]
    return "\n".join([*lines, "", "`benchd do --help` lists the options and the other verbs."]) + "\n"


CAUTION = (
    "The carriage pinches: keep hands out while it may move. `benchd stop` is an ordinary stop, not an emergency stop."
)
CONTROL = "Control is taken by itself where nobody else holds it."


def _when(need: Need) -> str | None:
    """'' for always, ' with `follow`' and the like; None for never."""
    return {"never": None, "always": ""}.get(need.in_words, f" {need.in_words}")


def _wrapped(text: str, indent: int = 0) -> list[str]:
    import textwrap

    return textwrap.wrap(text, 80 - indent, break_long_words=False, break_on_hyphens=False) or [""]


def _rows(model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    schema = model.model_json_schema()
    defs, needed = schema.get("$defs", {}), schema.get("required", [])
    for name, field in schema.get("properties", {}).items():
        if model is SetupArgs and name == "set":
            yield from _rows(SetupValues)  # what may stand there is for the set-up to say
            continue
        in_words = FORMS.get(name) or _kind(field, defs)
        unit = unit_of(name)
        parts = [f"{in_words}, in {unit}" if unit and name not in FORMS else in_words]
        if name in LEFT_OUT:
            parts.append(LEFT_OUT[name])
        elif name in needed:
            parts.append("needed")
        elif model is not SetupValues and field.get("default") not in (None, [], {}):
            default = field["default"]
            shown = ",".join(map(str, default)) if isinstance(default, list) else str(default)
            parts.append(f"{shown.lower() if isinstance(default, bool) else shown} if left out")
        yield name, "; ".join(parts)


def _kind(schema: Schema, defs: Mapping[str, Schema]) -> str:
    if "$ref" in schema:
        return _kind(defs[schema["$ref"].rpartition("/")[2]], defs)
    if "anyOf" in schema:
        kinds = [_kind(option, defs) for option in schema["anyOf"] if option.get("type") != "null"]
        return " or ".join(dict.fromkeys(kinds))
    if "const" in schema or "enum" in schema:
        return ", ".join(map(str, schema.get("enum") or [schema["const"]]))
    return _KINDS.get(schema.get("type", ""), "{..}") + _bounds(schema)


def _bounds(schema: Schema) -> str:
    words = {
        "minimum": "at least",
        "exclusiveMinimum": "more than",
        "maximum": "at most",
        "exclusiveMaximum": "less than",
    }
    bounds = [f"{word} {_number(schema[key])}" for key, word in words.items() if key in schema]
    if {"minimum", "maximum"} <= set(schema):
        return f", {_number(schema['minimum'])} to {_number(schema['maximum'])}"
    return "".join(f", {bound}" for bound in bounds)


def _number(value: float) -> str:
    return f"{value:.10g}"
