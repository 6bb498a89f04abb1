"""What a person makes of the text of a record: good edits, and ones that cannot be."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from typing import NamedTuple

Good = Callable[[random.Random, str], str]
STOCK_UM = (10, 20, 50, 100)


def _set(key: str, draw: Callable[[random.Random], object]) -> Good:
    """Another value behind a key, the rest of its line as it is; the key at the end where it is not there."""

    def edit(chance: random.Random, text: str) -> str:
        value = draw(chance)
        line = re.compile(rf"(?m)^{key}:[ \t]*(?:\{{[^}}\n]*\}}|\[[^\]\n]*\]|\"[^\"\n]*\"|[^#\n]*?)([ \t]*(?:#.*)?)$")
        became, found = line.subn(lambda match: f"{key}: {value}{match[1]}", text)
        return became if found else f"{text}{key}: {value}\n"

    return edit


def _inside(key: str, low: float, high: float, digits: int) -> Good:
    """Another number behind a key inside a line."""

    def edit(chance: random.Random, text: str) -> str:
        value = round(chance.uniform(low, high), digits)
        return re.sub(rf"({key}: )[-0-9.]+", lambda match: f"{match[1]}{value}", text, count=1)

    return edit


def _comment(chance: random.Random, text: str) -> str:
    return f"{text}# looked at again, {chance.randrange(10**6)}\n"


def _order(chance: random.Random, text: str) -> str:
    """A line of one key elsewhere; the first says what the file is."""
    first, *rest = text.splitlines(keepends=True)
    if any(line.startswith((" ", "-")) for line in rest):
        return _comment(chance, text)
    chance.shuffle(rest)
    return "".join([first, *rest])


def shims(chance: random.Random) -> list[int]:
    return sorted(chance.sample(STOCK_UM, chance.randrange(4)))


GOOD: dict[str, dict[str, Good]] = {
    "lens": {
        "tolerance": _set("tolerance", lambda chance: f"{{flange_um: {chance.randrange(5, 40)}}}"),
        "shims": _set("shims_fitted_um", shims),
        "focal length": _set(
            "focal_length_mm", lambda chance: f"{{value: {round(chance.uniform(49.3, 49.9), 3)}, u: 0.2}}"
        ),
        "f-number": _set("f_number", lambda chance: round(chance.uniform(2.0, 2.3), 2)),
        "glass it is made for": _set("designed_for_glass", lambda chance: chance.choice(("pane-25", "null"))),
        "owner": _set("owner", lambda chance: f"somebody-{chance.randrange(10**6)}"),
        "comment": _comment,
        "order of keys": _order,
    },
    "adapter": {
        "given length": _inside("length_um", 17980.0, 18030.0, 1),
        "comment": _comment,
        "order of keys": _order,
    },
    "glass": {"thickness": _inside("thickness_mm", 2.45, 2.55, 3), "comment": _comment},
}


class Bad(NamedTuple):
    """What is put there, None for a file that is gone, '/' for a folder in its place; the key that has to be told."""

    raw: bytes | None
    key: str = ""
    line: int = 0


def half(chance: random.Random, text: str) -> Bad:
    """Cut off inside a line."""
    at = chance.randrange(5, len(text) - 2)
    while "\n" in text[at - 1 : at + 1]:
        at -= 1
    return Bad(text[:at].encode())


def tab(chance: random.Random, text: str) -> Bad:
    return Bad(f"{text}note:\n\t- {chance.randrange(10**6)}\n".encode(), line=text.count("\n") + 2)


def wrong_type(chance: random.Random, text: str) -> Bad:
    key = {"lens": "mount", "adapt": "seat_above", "glass": "fits"}[text[:5].rstrip(":")]
    return Bad(_set(key, lambda _: f"{{no: {chance.randrange(10**6)}}}")(chance, text).encode(), key)


def unknown_key(chance: random.Random, text: str) -> Bad:
    return Bad(f"{text}weight: {chance.randrange(10**6)}\n".encode(), "weight", text.count("\n") + 1)


def not_utf_8(chance: random.Random, text: str) -> Bad:
    return Bad(
        f"{text}# Gewicht gepr".encode() + b"\xfc" + f"ft {chance.randrange(10**6)}\n".encode(),
        line=text.count("\n") + 1,
    )


BAD: dict[str, Callable[[random.Random, str], Bad]] = {
    "half a file": half,
    "a tab": tab,
    "a wrong type": wrong_type,
    "an unknown key": unknown_key,
    "not UTF-8": not_utf_8,
    "an empty file": lambda _, __: Bad(b""),
    "a folder in its place": lambda _, __: Bad(b"/"),
    "a file that is gone": lambda _, __: Bad(None),
}
