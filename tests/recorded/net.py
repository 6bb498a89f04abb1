"""What the bench said on the day it was recorded, held against what it says now: every difference, by its place.

What differs is looked at, one by one, and recorded anew only where it is meant: `RECORD=1 scripts/test tests/recorded`.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
_NUMBER = re.compile(r"(-?\d+(?:\.\d+)?)")


def hold(name: str, now: Any, *, um: float = 0.0) -> None:
    """Fail with the differences from `<name>.json`; numbers may be 1 in 1e6 off, measured ones by `um`."""
    path = HERE / f"{name}.json"
    now = json.loads(json.dumps(now))
    if os.environ.get("RECORD"):
        path.write_text(_laid_out(now) + "\n", encoding="utf-8")
    then = json.loads(path.read_text(encoding="utf-8"))
    found = list(differences(then, now, um))
    assert not found, f"{len(found)} differences from what was recorded:\n" + "\n".join(found[:40])


def differences(then: Any, now: Any, um: float, at: str = "") -> Iterator[str]:
    """One line for each place where two documents differ."""
    if isinstance(then, dict) and isinstance(now, dict):
        for key in dict.fromkeys((*then, *now)):
            place = f"{at}.{key}"
            if key not in now or key not in then:
                yield f"{place}: {'gone' if key not in now else f'new, {now[key]!r}'}"
            else:
                yield from differences(then[key], now[key], um, place)
    elif isinstance(then, list) and isinstance(now, list):
        if len(then) != len(now):
            yield f"{at}: {len(then)} entries then, {len(now)} now"
        for index, (one, other) in enumerate(zip(then, now, strict=False)):
            yield from differences(one, other, um, f"{at}[{index}]")
    elif _number(then) and _number(now):
        if not math.isclose(then, now, rel_tol=1e-6, abs_tol=max(um, 1e-9)):
            yield f"{at}: was {then}, is {now}"
    elif isinstance(then, str) and isinstance(now, str):
        if not _alike(then, now, um):
            yield f"{at}: was {then!r}, is {now!r}"
    elif then != now or type(then) is not type(now):
        yield f"{at}: was {then!r}, is {now!r}"


def _alike(then: str, now: str, um: float) -> bool:
    """Whether they are one sentence, in which a measured number may be another."""
    words, others = _NUMBER.split(then), _NUMBER.split(now)
    return then == now or (
        len(words) == len(others)
        and all(
            one == other
            or (_NUMBER.fullmatch(one) and _NUMBER.fullmatch(other) and abs(float(one) - float(other)) <= um)
            for one, other in zip(words, others, strict=True)
        )
    )


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _laid_out(part: Any, depth: int = 0) -> str:
    """JSON with a line for what is to be read as one."""
    opens, closes = "{}" if isinstance(part, dict) else "[]"
    if not isinstance(part, dict | list) or not part or len(json.dumps(part)) < 100:
        return json.dumps(part, ensure_ascii=False)
    many = (
        [f"{json.dumps(key, ensure_ascii=False)}: {_laid_out(value, depth + 1)}" for key, value in part.items()]
        if isinstance(part, dict)
        else [_laid_out(value, depth + 1) for value in part]
    )
    if depth > 4 or (isinstance(part, dict) and not any(isinstance(one, dict | list) for one in part.values())):
        return opens + ", ".join(many) + closes
    pad = "\n" + " " * (depth + 1)
    return opens + pad + ("," + pad).join(many) + "\n" + " " * depth + closes
