"""Documents to JSON bytes. A number that is not finite becomes null, with a note that says so."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from benchd.shown import shown

MOST_BYTES = 200_000
"""Brokers disconnect a client that sends more than 256 KiB; documents should stay far below."""


def encode(document: Mapping[str, Any]) -> bytes:
    """Compact JSON. Numbers that are not finite become null and are named under `note`.

    Raises ValueError or TypeError for a value that JSON cannot hold, and ValueError beyond MOST_BYTES.
    """
    try:
        raw = _dump(document)
    except ValueError:
        missing: list[str] = []
        cleaned = _finite(document, "", missing)
        if not missing:
            raise
        cleaned["note"] = "; ".join(
            [*filter(None, [cleaned.get("note")]), *(f"{path} is not finite" for path in missing)]
        )
        raw = _dump(cleaned)
    if len(raw) > MOST_BYTES:
        raise ValueError(f"a document of {len(raw)} bytes is too large to publish")
    return raw


def _dump(document: Mapping[str, Any]) -> bytes:
    return shown(json.dumps(document, allow_nan=False, ensure_ascii=False, separators=(",", ":"))).encode()


def _finite(value: Any, path: str, missing: list[str]) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        missing.append(path)
        return None
    if isinstance(value, Mapping):
        return {key: _finite(inner, f"{path}.{key}".lstrip("."), missing) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(inner, f"{path}[{index}]", missing) for index, inner in enumerate(value)]
    return value
