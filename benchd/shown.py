"""Text from outside made safe to show: terminal control characters and direction overrides are escaped as `\\u001b`.

Names, notes, answers, lines from devices and camera headers are untrusted. They are stored and published unchanged, but
everything shown to a person passes through here: what a command prints and logs (`Shown`), its tables
(`benchd.cli.console`), JSON over MQTT, and text in pictures.
"""

from __future__ import annotations

import re
import sys
import unicodedata
from collections.abc import Mapping
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

_STEERS = ("Cc", "Cf", "Cs", "Zl", "Zp")
"""Categories of Unicode: controls (C0, DEL, C1), formats (bidirectional overrides among them), lone surrogates, and the
separators of lines and paragraphs."""
_PLAIN = re.compile(r"[ -~\n]*")


def shown(text: str) -> str:
    """The text with control characters escaped, except line breaks. A JSON text still means the same document."""
    if _PLAIN.fullmatch(text):
        return text
    return "".join(
        sign if sign == "\n" or unicodedata.category(sign) not in _STEERS else _escaped(sign) for sign in text
    )


def in_one_line(text: str) -> str:
    """The same for a single line: line breaks are escaped too."""
    return shown(text).replace("\n", "\\u000a")


def document_shown(value: Any) -> Any:
    """A JSON value with every text in it, keys included, made safe and single-line."""
    if isinstance(value, str):
        return in_one_line(value)
    if isinstance(value, Mapping):
        return {document_shown(key): document_shown(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [document_shown(inner) for inner in value]
    return value


def _escaped(sign: str) -> str:
    code = ord(sign)
    if code <= 0xFFFF:
        return f"\\u{code:04x}"
    return f"\\u{0xD800 + ((code - 0x10000) >> 10):04x}\\u{0xDC00 + (code & 0x3FF):04x}"


class Shown:
    """A stream that escapes what is written to it; `bare` is the stream itself, for intended terminal control."""

    def __init__(self, bare: IO[str]) -> None:
        self.bare = bare

    def write(self, text: str) -> int:
        """Write the text, escaped."""
        self.bare.write(shown(text))
        return len(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self.bare, name)


@contextmanager
def streams_shown() -> Iterator[None]:
    """A context in which everything printed or logged is escaped."""
    streams = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = Shown(sys.stdout), Shown(sys.stderr)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = streams


def bare(stream: IO[str] | Shown) -> IO[str]:
    """The stream below a `Shown`."""
    return stream.bare if isinstance(stream, Shown) else stream
