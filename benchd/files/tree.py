"""A YAML 1.2 text as a tree whose nodes know their line and column.

The events come from ruamel's parser; the tree is built here, because three things that YAML allows make a
file unsafe or ambiguous and are refused with their place: anchors and aliases (a page of them expands to
gigabytes), tags, and duplicate keys. Plain scalars follow the core schema of YAML 1.2, section 10.3.2,
without `.inf` and `.nan`: `on`, `12:30` and `1_000` are text.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NoReturn

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from benchd.files.not_yaml import problem_of
from benchd.files.problems import Problem, shown

MAX_DEPTH = 16

_NULL = {"", "~", "null", "Null", "NULL"}
_TRUE = {"true", "True", "TRUE"}
_FALSE = {"false", "False", "FALSE"}
_INT = re.compile(r"[-+]?[0-9]+")
_OCT = re.compile(r"0o([0-7]+)")
_HEX = re.compile(r"0x([0-9a-fA-F]+)")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(inf|Inf|INF)|\.(nan|NaN|NAN)")
_MOST_DIGITS = 40


@dataclass(slots=True)
class Node:
    """A value with the line and column (from 1) where it begins; a member of a mapping also has those of its key."""

    value: Any
    line: int
    column: int
    key_place: tuple[int, int] | None = None
    members: dict[str, Node] = field(default_factory=dict)
    items: list[Node] = field(default_factory=list)

    def child(self, part: str | int) -> Node | None:
        """The member or item `part`, or None."""
        if isinstance(part, int):
            return self.items[part] if 0 <= part < len(self.items) else None
        return self.members.get(part)

    @property
    def named_at(self) -> tuple[int, int]:
        """Line and column of its key if it has one, else its own."""
        return self.key_place or (self.line, self.column)


class Unreadable(Exception):
    """The text is not acceptable YAML; `problem` says where and why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(str(problem))
        self.problem = problem


def parse(text: str, file: str) -> tuple[Node | None, list[Problem]]:
    """The tree of `text` and the problems of its scalars and keys (which do not stop the parsing).

    None for an empty file. Raises Unreadable if the text is not YAML, or nests deeper than MAX_DEPTH.
    """
    builder = _Builder(file)
    try:
        # The event parser is iterative and the builder bounds the depth, so that no text exhausts the stack.
        events: Iterator[Event] = YAML(typ="safe", pure=True).parse(text)
        for event in events:
            builder.take(event)
    except YAMLError as error:
        raise Unreadable(problem_of(error, text, file)) from error
    return builder.root, builder.problems


class _Builder:
    def __init__(self, file: str) -> None:
        self.file = file
        self.root: Node | None = None
        self.problems: list[Problem] = []
        self._open: list[Node] = []
        self._key: list[tuple[str, tuple[int, int]] | None] = []
        self._at: list[str | int] = []
        self._documents = 0

    def take(self, event: Event) -> None:
        line, column = event.start_mark.line + 1, event.start_mark.column + 1
        if isinstance(event, DocumentStartEvent):
            self._documents += 1
            if self._documents > 1:
                self._refuse(line, column, "", "one document a file; a second one begins here")
        elif isinstance(event, AliasEvent) or getattr(event, "anchor", None):
            self._refuse(
                line,
                column,
                str(getattr(event, "anchor", "")),
                "anchors and aliases are not allowed; write the value out",
            )
        elif isinstance(event, MappingStartEvent | SequenceStartEvent):
            self._begin(event, line, column)
        elif isinstance(event, MappingEndEvent | SequenceEndEvent):
            self._open.pop()
            self._key.pop()
            if self._at:
                self._at.pop()
        elif isinstance(event, ScalarEvent):
            self._scalar(event, line, column)

    def _begin(self, event: MappingStartEvent | SequenceStartEvent, line: int, column: int) -> None:
        if event.tag:
            self._refuse(line, column, str(event.tag), "tags are not allowed")
        if len(self._open) >= MAX_DEPTH:
            self._refuse(line, column, "", f"nested deeper than {MAX_DEPTH} levels")
        node = Node({} if isinstance(event, MappingStartEvent) else [], line, column)
        if self._open:
            self._at += self._here()
        self._place(node)
        self._open.append(node)
        self._key.append(None)

    def _scalar(self, event: ScalarEvent, line: int, column: int) -> None:
        if event.tag:
            self._refuse(line, column, str(event.tag), "tags are not allowed")
        if self._open and isinstance(self._open[-1].value, dict) and self._key[-1] is None:
            self._key[-1] = (event.value, (line, column))
            return
        plain = bool(event.implicit[0])
        value, wrong = _resolve(event.value) if plain else (event.value, "")
        if wrong:
            self.problems.append(Problem(self.file, line, column, self._path(), shown(event.value), wrong))
        self._place(Node(value, line, column))

    def _place(self, node: Node) -> None:
        if not self._open:
            self.root = node
            return
        parent = self._open[-1]
        if isinstance(parent.value, list):
            parent.items.append(node)
            parent.value.append(node.value)
            return
        key = self._key[-1]
        if key is None:
            self._refuse(node.line, node.column, "", "a key is a plain word")
        name, node.key_place = key
        self._key[-1] = None
        if name in parent.members:
            first = parent.members[name].named_at[0]
            path = self._path(name)
            wrong = f"this key stands already on line {first}"
            self.problems.append(Problem(self.file, *node.named_at, path, shown(node.value), wrong))
            return
        parent.members[name] = node
        parent.value[name] = node.value

    def _here(self) -> list[str | int]:
        """The key or index of the next value in the innermost open node."""
        if not self._open:
            return []
        if isinstance(self._open[-1].value, list):
            return [len(self._open[-1].items)]
        key = self._key[-1]
        return [key[0]] if key is not None else []

    def _path(self, last: str = "") -> str:
        return dotted([*self._at, *([last] if last else self._here())])

    def _refuse(self, line: int, column: int, stands: str, allowed: str) -> NoReturn:
        raise Unreadable(Problem(self.file, line, column, self._path(), stands, allowed))


def dotted(parts: list[str | int]) -> str:
    """`layers[0].index` from its parts."""
    text = ""
    for part in parts:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{part}" if text else part
    return text


def _resolve(text: str) -> tuple[Any, str]:  # noqa: PLR0911  one return for each kind of scalar
    if text in _NULL:
        return None, ""
    if text in _TRUE:
        return True, ""
    if text in _FALSE:
        return False, ""
    if _NOT_FINITE.fullmatch(text):
        return None, "a finite number"
    if len(text) <= _MOST_DIGITS:
        if _INT.fullmatch(text):
            return int(text), ""
        if octal := _OCT.fullmatch(text):
            return int(octal[1], 8), ""
        if hexadecimal := _HEX.fullmatch(text):
            return int(hexadecimal[1], 16), ""
    if _FLOAT.fullmatch(text):
        number = float(text)
        return (number, "") if math.isfinite(number) else (None, "a finite number")
    return text, ""
