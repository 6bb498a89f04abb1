"""Turns validation errors of a model into sentences on what is allowed instead."""

from __future__ import annotations

import re
import types
from collections.abc import Iterable, Sequence
from difflib import get_close_matches
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, Tag
from pydantic_core import ErrorDetails

from benchd.quantities import printed_unit

_PLAIN = {
    "float_type": "a number",
    "int_type": "a whole number",
    "float_parsing": "a number",
    "int_parsing": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "list_type": "a list [..]",
    "tuple_type": "a list [..]",
    "dict_type": "keys with their values {..}",
    "model_type": "keys with their values {..}",
    "model_attributes_type": "keys with their values {..}",
    "none_required": "null",
    "finite_number": "a finite number",
    "missing": "this key is needed",
}

READ_AT_START = "Procedures are read when benchd starts: one added since is not known yet."
"""Advice of a running bench for a procedure that it does not know."""
READ_AS_THEY_CHANGE = "A new record is a file in the folder of its kind; it is known some seconds later."
"""The same for a record."""

_UNIT = re.compile(r"_(um_s2|um_s|um|mm|nm|ms|s|m|K|C|deg|hz)$")
"""The unit at the end of a key."""
_DECIMAL_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_NUMBER_AND_UNIT = re.compile(r"[-+]?[0-9.]+(e[-+]?[0-9]+)? *[^0-9 ].*", re.IGNORECASE)


def near_names(name: str, names: Iterable[str], most: int = 3) -> list[str]:
    """Known names similar to `name`, best first; letter case does not count."""
    by_lower = {known.lower(): known for known in names}
    return [by_lower[lower] for lower in get_close_matches(name.lower(), list(by_lower), n=most, cutoff=0.6)]


def ended(sentence: str) -> str:
    """The sentence with a full stop, unless it ends with a punctuation mark already."""
    return sentence if sentence.endswith((".", "?", "!")) else f"{sentence}."


def _unknown(wrong: str, keys: Sequence[str]) -> str:
    if not keys:
        return "unknown key"
    if wrong.isdigit():
        return f"no key; the decimal sign of a number is a point, not a comma. Known here: {', '.join(keys)}"
    head, _, rest = wrong.partition(" ")
    if rest and head in keys:
        return f"no colon after '{head}' ('{head}: {rest}')"
    near = near_names(wrong, keys, 1)
    suggestion = f"did you mean '{near[0]}'? " if near else ""
    return f"unknown key; {suggestion}known here: {', '.join(keys)}"


def what_may_stand(error: ErrorDetails, keys: Sequence[str] = ()) -> str:
    """The sentence for one pydantic error; `keys` are those allowed there."""
    kind = error["type"]
    if kind == "extra_forbidden":
        return _unknown(str(error["loc"][-1]), keys)
    if kind == "model_type" and keys:
        return f"keys with their values {{{', '.join(f'{key}: ..' for key in keys)}}}"
    if kind in _PLAIN:
        return _plain(error)
    context = error.get("ctx", {})
    if kind == "step":
        return _of_step(error["input"], str(context["verbs"]).split(", "), error["msg"])
    return (
        _bound(kind, context, str(error["loc"][-1]) if error["loc"] else "")
        or _worded(kind, context, str(error["input"]))
        or error["msg"]
    )


def _plain(error: ErrorDetails) -> str:
    """The type of value that is allowed, with a hint on what was written instead."""
    words, last, stands = _PLAIN[error["type"]], error["loc"][-1] if error["loc"] else "", error["input"]
    if error["type"] == "missing" and isinstance(last, int):
        return "one value more is needed; values of a list have commas between them"
    if isinstance(stands, str) and _DECIMAL_COMMA.fullmatch(stands):
        return f"{words}; its decimal sign is a point: {stands.replace(',', '.')}"
    unit = _UNIT.search(str(last))
    if unit and isinstance(stands, str) and _NUMBER_AND_UNIT.fullmatch(stands):
        return f"{words} alone, in {printed_unit(unit[1]).replace('_s', '/s')}"
    return words


def _of_step(step: Any, verbs: Sequence[str], one_of: str) -> str:
    """What is wrong with a step that is not a single verb: a second verb, or a mistyped one."""
    keys = [str(key) for key in step] if isinstance(step, dict) else [str(step)]
    head, _, rest = keys[0].partition(" ") if keys else ("", "", "")
    if not isinstance(step, dict) and head in verbs:
        return f"no colon after '{head}' ('{head}: {rest or '{}'}')"
    known = [key for key in keys if key in verbs]
    near = next((near for key in keys if key not in verbs for near in near_names(key, verbs, 1)), "")
    if known and len(keys) > 1:
        return f"a step has one key; did you mean '- {near or known[-1]}: ..' as a step of its own?"
    return f"{one_of}; did you mean '{near}'?" if near else one_of


def _bound(kind: str, context: dict[str, Any], key: str) -> str:
    words = {
        "greater_than": ("gt", "more than"),
        "greater_than_equal": ("ge", "at least"),
        "less_than": ("lt", "less than"),
        "less_than_equal": ("le", "at most"),
    }
    if kind not in words:
        return ""
    name, word = words[kind]
    if key.endswith("_C"):
        return f"a number of degrees Celsius, {word} {context[name]:g}"
    return f"a number, {word} {context[name]:g}"


def _worded(kind: str, context: dict[str, Any], stands: str) -> str:
    words = {
        "value_error": "{error}",
        "assertion_error": "{error}",
        "string_pattern_mismatch": "text of the form {pattern}",
        "too_short": "at least {min_length} of them",
        "too_long": "at most {max_length} of them",
        "string_too_short": "at least {min_length} characters",
        "string_too_long": "at most {max_length} characters",
        "union_tag_invalid": "{discriminator} one of {expected_tags}",
    }
    if kind in ("literal_error", "enum"):
        expected = str(context["expected"]).replace(" or ", ", ")
        near = near_names(stands, [name.strip("'") for name in expected.split(", ")], 1)
        return f"one of {expected}; did you mean '{near[0]}'?" if near else f"one of {expected}"
    return words[kind].format_map(context) if kind in words else ""


def known_keys(model: type[BaseModel], loc: Sequence[str | int]) -> list[str]:
    """The keys allowed in the mapping at `loc` of a `model`, in the order of the model."""
    here: list[Any] = [model]
    for part in loc:
        here = [inner for outer in here for inner in _tagged(outer, part) or _inside(outer, part)] or here
    keys: dict[str, None] = {}
    for kind in (plain for outer in here for plain in _unwrapped(outer)):
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            keys |= dict.fromkeys(_fields(kind))
    return list(keys)


def _fields(model: type[BaseModel]) -> dict[str, Any]:
    return {field.alias or name: field.annotation for name, field in model.model_fields.items()}


def _unwrapped(annotation: Any) -> list[Any]:
    origin = get_origin(annotation)
    if origin is Annotated:
        return _unwrapped(get_args(annotation)[0])
    if origin is Union or origin is types.UnionType:
        return [plain for member in get_args(annotation) for plain in _unwrapped(member)]
    return [annotation]


def _tagged(annotation: Any, part: str | int) -> list[Any]:
    """The members of a tagged union named by `part` of an error's location; empty if it is not a tag."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        if any(isinstance(tag, Tag) and tag.tag == part for tag in arguments[1:]):
            return [arguments[0]]
        return _tagged(arguments[0], part)
    if origin is Union or origin is types.UnionType:
        return [member for argument in arguments for member in _tagged(argument, part)]
    return []


def _inside(annotation: Any, part: str | int) -> list[Any]:
    inner: list[Any] = []
    for plain in _unwrapped(annotation):
        origin, arguments = get_origin(plain), get_args(plain)
        if origin is dict:
            inner.append(arguments[1])
        elif origin in (list, tuple) and isinstance(part, int):
            inner.append(arguments[0])
        elif origin is Literal:
            continue
        elif isinstance(plain, type) and issubclass(plain, BaseModel) and part in (fields := _fields(plain)):
            inner.append(fields[str(part)])
    return inner


def one_of(what: str, name: str, known: Iterable[str]) -> str:
    """The sentence on what is allowed in place of an unknown name."""
    known = list(known)
    near = near_names(name, known, 1)
    suggestion = f"; did you mean '{near[0]}'?" if near else ""
    return f"{what}{suggestion} ({', '.join(known) or 'there is none'})"
