"""The text of a record with other values: only what changes is written anew, all else stays letter by letter."""

from __future__ import annotations

import io
import re
from collections.abc import Mapping, Sequence
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, NamedTuple

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from benchd.errors import Refused
from benchd.files.records_folder import FOLDERS, MODELS, Kind, Records
from benchd.files.source import parse_yaml, read_text
from benchd.files.tree import parse

WIDTH = 10_000
"""What is new stands on one line, as in the records that benchd comes with."""

_BLOCK_BEGINS = re.compile(r":[ \t]*\n\s*\Z")


class Edit(NamedTuple):
    """The letters from `start` to `end` become `text`."""

    start: int
    end: int
    text: str


def text_of(folder: Path, records: Records, kind: Kind, record_id: str) -> tuple[Path, str]:
    """The file of a record and its text as it is now, with what was written by hand a moment ago; '' for none.

    Raises FileProblems; Refused('bad_request') for a file of that name that is another's record, and ('rev_conflict')
    for a record in force whose file is gone: begun anew it would hold nothing but what is set.
    """
    source = records.sources.get((kind, record_id))
    path = folder / FOLDERS[kind] / f"{record_id}.yaml" if source is None else source.path
    if not path.exists() and source is not None:
        text = f"{path}, the file of {kind} {record_id}, is gone."
        raise Refused(
            "rev_conflict", text, advice="Put it back, with all that it said, or wait until that has been read."
        )
    if not path.exists():
        return path, ""
    there = parse_yaml(path, read_text(path))
    if (other := there.data.get(kind)) != record_id:
        text = f"{path} is the record of {kind} '{other}', not of {record_id}."
        raise Refused("bad_request", text, advice="Give that file the name of its id.")
    return path, there.text


def with_values(text: str, kind: Kind, record_id: str, values: Mapping[str, Any]) -> str:
    """`text` with these keys set (JSON values; null takes the key out). An empty text begins a record of that id.

    `text` is one that `parse_yaml` takes.
    """
    order = list(MODELS[kind].model_fields)
    if not text:
        stated = {kind: record_id} | {key: value for key, value in values.items() if value is not None}
        in_order = sorted(stated, key=lambda key: order.index(key) if key in order else len(order))
        return "".join(f"{key}: {written(stated[key])}\n" for key in in_order)
    plain = text.replace("\r\n", "\n")
    root, tree = YAML(typ="rt").compose(plain), parse(plain, "")[0]
    assert isinstance(root, MappingNode)
    assert tree is not None
    became = _applied(plain, _in_mapping(plain, root, tree.value, dict(values), order, whole=False))
    return became.replace("\n", "\r\n") if "\r\n" in text else became


def written(value: Any) -> str:
    """A value as it stands behind its key, on one line."""
    if value is None:
        return "null"
    yaml, out = YAML(typ="rt"), io.StringIO()
    yaml.width = WIDTH
    yaml.dump(CommentedMap({"key": _in_a_line(value)}), out)
    return out.getvalue().removeprefix("key: ").removesuffix("\n")


def _in_a_line(value: Any) -> Any:
    if isinstance(value, Mapping):
        found: Any = CommentedMap({key: _in_a_line(part) for key, part in value.items()})
    elif isinstance(value, Sequence) and not isinstance(value, str):
        found = CommentedSeq([_in_a_line(part) for part in value])
    else:
        return value
    found.fa.set_flow_style()
    return found


def _applied(text: str, edits: Sequence[Edit]) -> str:
    for edit in sorted(edits, reverse=True):
        text = text[: edit.start] + edit.text + text[edit.end :]
    return text


def _in_mapping(
    text: str, node: MappingNode, old: Mapping[str, Any], new: Mapping[str, Any], order: Sequence[str], *, whole: bool
) -> list[Edit]:
    """The edits of a mapping; `whole`: keys that are not named go."""
    parts = {key.value: (key, value) for key, value in node.value}
    gone = [key for key in parts if (key not in new if whole else new.get(key, 0) is None)]
    added = [key for key in new if key not in parts and new[key] is not None]
    if node.flow_style and (gone or added):
        kept = {key: value for key, value in {**({} if whole else old), **new}.items() if value is not None}
        return [Edit(node.start_mark.index, node.end_mark.index, written(kept))]
    edits = [
        Edit(_line_begin(text, parts[key][0].start_mark.index), _line_end(text, parts[key][1]), "") for key in gone
    ]
    for key in parts:
        if key in new and key not in gone:
            edits += _changed(text, parts[key][1], old[key], new[key])
    indent = " " * node.start_mark.column
    behind: dict[int, str] = {}
    for key in sorted(added, key=lambda key: order.index(key) if key in order else len(order)):
        before = set(order[: order.index(key)]) if key in order else set(parts)
        last = next((name for name in reversed(parts) if name in before), next(reversed(parts)))
        place = _line_end(text, parts[last][1])
        behind[place] = behind.get(place, "") + f"{indent}{key}: {written(new[key])}\n"
    return edits + [Edit(place, place, lines) for place, lines in behind.items()]


def _changed(text: str, node: Node, old: Any, new: Any) -> list[Edit]:
    """The edits by which one value becomes another."""
    if old == new and isinstance(old, bool) is isinstance(new, bool):
        return []  # as it was spelled
    if isinstance(node, MappingNode) and isinstance(new, Mapping):
        return _in_mapping(text, node, old, new, list(new), whole=True)
    if isinstance(node, SequenceNode) and not node.flow_style and isinstance(new, list) and new:
        return _in_list(text, node, old, new)
    start, end = node.start_mark.index, _end(node)
    if (block := _BLOCK_BEGINS.search(text, 0, start)) is not None:  # it moves up, behind its key
        start = block.start() + 1
    blank = " " if start == end or text[start - 1] == ":" else ""
    return [Edit(start, end, blank + written(new))]


def _in_list(text: str, node: SequenceNode, old: Sequence[Any], new: Sequence[Any]) -> list[Edit]:
    """The edits of a list with an item a line: those that stay keep their line."""
    spans = [(_line_begin(text, item.start_mark.index), _line_end(text, item)) for item in node.value]
    dash = text[spans[0][0] : text.index("-", spans[0][0])] + "- "
    edits = []
    matcher = SequenceMatcher(a=[written(one) for one in old], b=[written(one) for one in new])
    for what, old_from, old_to, new_from, new_to in matcher.get_opcodes():
        if what != "equal":
            start = spans[old_from][0] if old_from < len(spans) else spans[-1][1]
            end = spans[old_to - 1][1] if old_to > old_from else start
            edits.append(Edit(start, end, "".join(f"{dash}{written(one)}\n" for one in new[new_from:new_to])))
    return edits


def _end(node: Any) -> int:
    """Where the last letter of a value stands; a block's own mark stands behind the comments that follow it."""
    if isinstance(node, ScalarNode) or node.flow_style or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return _end(last[1] if isinstance(node, MappingNode) else last)


def _line_begin(text: str, at: int) -> int:
    return text.rfind("\n", 0, at) + 1


def _line_end(text: str, node: Node) -> int:
    """Behind the line in which a value ends, with what is said of it there."""
    end = _end(node)
    return end if end and text[end - 1] == "\n" else text.index("\n", end) + 1
