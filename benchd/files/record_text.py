"""The text of a record as a person would have written it: comments, order and style of what is there are kept."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.representer import RoundTripRepresenter

from benchd.files.records_folder import MODELS, Kind

WIDTH = 120
_INDENTED_LIST = re.compile(r"^ +- ", re.MULTILINE)


def with_values(text: str, kind: Kind, record_id: str, values: Mapping[str, Any]) -> str:
    """`text` with these keys set (JSON values; null takes the key out). An empty text begins a record of that id."""
    yaml = _yaml(text)
    doc = yaml.load(text.replace("\r\n", "\n")) if text else CommentedMap({kind: record_id})
    order = list(MODELS[kind].model_fields)
    for key, value in values.items():
        if value is None:
            doc.pop(key, None)
        elif key in doc:
            doc[key] = _merged(doc[key], value)
        else:
            doc.insert(_place(doc, key, order), key, _new(value))
    out = io.StringIO()
    yaml.dump(doc, out)
    return out.getvalue().replace("\n", "\r\n") if "\r\n" in text else out.getvalue()


class _Representer(RoundTripRepresenter):
    """Writes `null`, where nothing at all would say the same."""

    def null(self, _: None) -> Any:
        return self.represent_scalar("tag:yaml.org,2002:null", "null")


_Representer.add_representer(type(None), _Representer.null)


def _yaml(text: str) -> YAML:
    yaml = YAML(typ="rt")
    yaml.Representer = _Representer
    if _INDENTED_LIST.search(text):
        yaml.indent(mapping=2, sequence=4, offset=2)
    yaml.preserve_quotes = True
    yaml.width = WIDTH
    return yaml


def _place(doc: Mapping[str, Any], key: str, order: Sequence[str]) -> int:
    """Behind the last of the keys that come before it where all are there."""
    before = set(order[: order.index(key)]) if key in order else set(doc)
    return max((index + 1 for index, known in enumerate(doc) if known in before), default=len(doc))


def _merged(old: Any, value: Any) -> Any:
    """`value`, in the style of what stood there, and with the comments of those parts that stay."""
    if isinstance(old, CommentedMap) and isinstance(value, Mapping):
        for key in [key for key in old if key not in value]:
            del old[key]
        for key, part in value.items():
            old[key] = _merged(old[key], part) if key in old else _new(part)
        return old
    if json.dumps(old, default=str) == json.dumps(value):
        return old  # as it was spelled
    if isinstance(old, CommentedSeq) and isinstance(value, Sequence) and not isinstance(value, str):
        old[:] = [_new(part) for part in value]
        return old
    return _new(value)


def _new(value: Any) -> Any:
    """Mappings and lists on one line, as in the records that benchd comes with."""
    if isinstance(value, Mapping):
        found: Any = CommentedMap({key: _new(part) for key, part in value.items()})
    elif isinstance(value, Sequence) and not isinstance(value, str):
        found = CommentedSeq([_new(part) for part in value])
    else:
        return value
    found.fa.set_flow_style()
    return found
