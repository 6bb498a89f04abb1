"""Explains YAML syntax errors at the line that is wrong, not where the parser noticed.

A parser notices a missing colon only at the next token, possibly comments and blank lines later.
"""

from __future__ import annotations

import re

from ruamel.yaml.error import MarkedYAMLError, YAMLError

from benchd.files.problems import Problem, shown

_NO_COLON = re.compile(r"(?P<before>\s*(?:- +)?)(?P<key>[A-Za-z_][\w-]*)(?P<rest>\s+[^\s:#].*)?")
"""A key without its colon: a word at the beginning of a line, alone or with something after it."""
_KEY = re.compile(r"\s*[A-Za-z_][\w-]*:(\s+([{\[\"'].*|[^:]*))?")
"""A key with its colon, and no second one beside it."""
_OF_A_KEY = ("<block mapping start>", "mapping values are not allowed here")
"""Parser messages for a key at a place where no key is allowed."""
_NO_SPACE = re.compile(r"\s*-(?P<after>[\w{\[\"'].*)")
"""An entry of a list without the space after its dash."""
_COMMENT = re.compile(r"(^|\s+)#.*")
_PLAIN = (
    ("mapping values are not allowed here", "a colon too many in this line, or the line before is not ended; text that "
     "holds a colon stands in quotes"),
    ("expected ',' or '}'", "a comma or } is missing before this place"),
    ("expected ',' or ']'", "a comma or ] is missing before this place"),
    ("while scanning a quoted scalar", "a quotation mark is opened and not closed"),
)  # fmt: skip
"""Parser messages, and explanations for the author of the file."""


def problem_of(error: YAMLError, text: str, file: str) -> Problem:
    """The parser's error for `text`, as a problem of `file` at its place."""
    if not isinstance(error, MarkedYAMLError):
        return Problem(file, 1, 1, "", "", f"not YAML: {str(error).splitlines()[0]}")
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    said = " ".join(str(part) for part in (error.context, error.problem) if part)
    if r"'\t'" in said:
        return Problem(file, line, column, "", "", "not YAML: a tab stands here; indent with spaces")
    begun = error.context_mark.line + 1 if error.context == "while scanning a simple key" and error.context_mark else 0
    lines = text.splitlines()
    return (
        _no_colon(lines, begun or line, file)
        or _no_space(lines, line, file)
        or (_indented(lines, line, file) if any(message in said for message in _OF_A_KEY) else None)
        or _told(lines, line, column, file, said)
    )


def _bare(line: str) -> str:
    return _COMMENT.sub("", line).rstrip()


def _no_space(lines: list[str], line: int, file: str) -> Problem | None:
    bare = _bare(lines[line - 1]) if line <= len(lines) else ""
    if _NO_SPACE.fullmatch(bare) is None:
        return None
    return Problem(file, line, bare.index("-") + 1, "", shown(bare.strip()), "not YAML: no space after '-'")


def _indented(lines: list[str], line: int, file: str) -> Problem | None:
    """A correct key whose indentation matches none of the keys before it."""
    before = next((number for number in range(line - 1, 0, -1) if _bare(lines[number - 1])), line)
    here, there = (len(text) - len(text.lstrip()) for text in (lines[line - 1], lines[before - 1]))
    if here == there or _KEY.fullmatch(_bare(lines[line - 1])) is None:
        return None
    why = f"indented by {here}, the line before it ({before}) by {there}; keys of one block stand under each other"
    return Problem(file, line, here + 1, "", shown(_bare(lines[line - 1]).strip()), f"not YAML: {why}")


def _told(lines: list[str], line: int, column: int, file: str, said: str) -> Problem:
    stands = shown(lines[line - 1].strip()) if line <= len(lines) else ""
    why = next((plain for of_parser, plain in _PLAIN if of_parser in said), said)
    return Problem(file, line, column, "", stands, f"not YAML: {why}")


def _no_colon(lines: list[str], line: int, file: str) -> Problem | None:
    """The key without a colon at a line or, past comments and blank lines, at the one before it."""
    written = [number for number in range(min(line, len(lines)), 0, -1) if _bare(lines[number - 1])]
    for number in written[:2]:
        bare = _bare(lines[number - 1])
        found = _NO_COLON.fullmatch(bare)
        if found is not None:
            key, column = found["key"], len(found["before"]) + 1
            return Problem(
                file, number, column, "", shown(bare.strip()), f"not YAML: no colon after '{key}' ('{key}: ..')"
            )
    return None
