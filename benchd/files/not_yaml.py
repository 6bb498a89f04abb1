"""Why a text is no YAML, told at the line that is wrong and not where the parser lost its way.

A parser notices a missing colon only at the next token, comments and blank lines later.
"""

from __future__ import annotations

import re

from ruamel.yaml.error import MarkedYAMLError, YAMLError

from benchd.files.problems import Problem, shown

_NO_COLON = re.compile(r"(?P<before>\s*(?:- +)?)(?P<key>[A-Za-z_][\w-]*)(?P<rest>\s+[^\s:#].*)?")
"""A key without its colon: a word at the beginning of a line, alone or with something after it."""
_COMMENT = re.compile(r"(^|\s+)#.*")
_PLAIN = (
    ("mapping values are not allowed here", "a colon too many in this line, or the line before is not ended; text that "
     "holds a colon stands in quotes"),
    ("expected ',' or '}'", "a comma or } is missing before this place"),
    ("expected ',' or ']'", "a comma or ] is missing before this place"),
    ("while scanning a quoted scalar", "a quotation mark is opened and not closed"),
)  # fmt: skip
"""What the parser says, and what that means to who wrote the file."""


def problem_of(error: YAMLError, text: str, file: str) -> Problem:
    """What the parser said of `text`, as a problem of `file` at its place."""
    if not isinstance(error, MarkedYAMLError):
        return Problem(file, 1, 1, "", "", f"not YAML: {str(error).splitlines()[0]}")
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    said = " ".join(str(part) for part in (error.context, error.problem) if part)
    if r"'\t'" in said:
        return Problem(file, line, column, "", "", "not YAML: a tab stands here; indent with spaces")
    begun = error.context_mark.line + 1 if error.context == "while scanning a simple key" and error.context_mark else 0
    return _no_colon(text.splitlines(), begun or line, file) or _told(text.splitlines(), line, column, file, said)


def _told(lines: list[str], line: int, column: int, file: str, said: str) -> Problem:
    stands = shown(lines[line - 1].strip()) if line <= len(lines) else ""
    why = next((plain for of_parser, plain in _PLAIN if of_parser in said), said)
    return Problem(file, line, column, "", stands, f"not YAML: {why}")


def _no_colon(lines: list[str], line: int, file: str) -> Problem | None:
    """The key without a colon at a line or, past comments and blank lines, at the one before it."""
    written = [number for number in range(min(line, len(lines)), 0, -1) if _COMMENT.sub("", lines[number - 1]).strip()]
    for number in written[:2]:
        bare = _COMMENT.sub("", lines[number - 1]).rstrip()
        found = _NO_COLON.fullmatch(bare)
        if found is not None:
            key, column = found["key"], len(found["before"]) + 1
            return Problem(
                file, number, column, "", shown(bare.strip()), f"not YAML: no colon after '{key}' ('{key}: ..')"
            )
    return None
