"""Forms of names: names in topics, ids of records, and the check character of a label."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, WithJsonSchema

_NAME = re.compile(r"[a-z0-9_-]{1,32}")
_RECORD_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
_IDENTIFIER = re.compile(r"[a-z][a-z0-9_]{0,31}")
_ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"


def _name(text: str) -> str:
    if not _NAME.fullmatch(text):
        raise ValueError("a name: 1 to 32 of a-z, 0-9, '_' and '-'")
    return text


def _record_id(text: str) -> str:
    if not _RECORD_ID.fullmatch(text):
        raise ValueError("an id: 1 to 32 letters a-z or A-Z, digits, '_' and '-', beginning with a letter or digit")
    return text


def _code(text: str) -> str:
    if not _CODE.fullmatch(text):
        raise ValueError("an id: 1 to 64 letters, digits, '.', '_' and '-', beginning with a letter or digit")
    return text


def _identifier(text: str) -> str:
    if not _IDENTIFIER.fullmatch(text):
        raise ValueError("a name: 1 to 32 of a-z, 0-9 and '_', beginning with a letter")
    return text


def _spelled(form: re.Pattern[str]) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "pattern": f"^{form.pattern}$"})


Name = Annotated[str, AfterValidator(_name), _spelled(_NAME)]
"""A name that may stand in a topic: bench, device, link, seat, mount."""

RecordId = Annotated[str, AfterValidator(_record_id), _spelled(_RECORD_ID)]
"""The id of a record (adapter, glass, reference, lens, target). Case is kept; no two ids differ by it alone."""


Code = Annotated[str, AfterValidator(_code), _spelled(_CODE)]
"""An artefact, or what stands in the record: `L-0417`, `ring-07`, `r-0192`, `f-310`."""

Identifier = Annotated[str, AfterValidator(_identifier), _spelled(_IDENTIFIER)]
"""A name within a procedure: an input, a loop's variable, an answer, a reading."""


class Record(BaseModel):
    """The base of everything read from a file: frozen, strict, finite, no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def check_character(code: str) -> str:
    """The check character of a code by ISO 7064 MOD 37-2: one of 0-9, A-Z, '*'.

    Letters count as capitals; characters other than letters and digits are ignored. It detects every single wrong
    character and every transposition of neighbours. Raises ValueError for a code without letters and digits.
    """
    signs = [sign for sign in code.upper() if sign in _ALPHABET[:36]]
    if not signs:
        raise ValueError("a code has letters or digits")
    remainder = 0
    for sign in signs:
        remainder = (remainder + _ALPHABET.index(sign)) * 2 % 37
    return _ALPHABET[(38 - remainder) % 37]


def label_of(record_id: str) -> str:
    """The engraved or printed label of a record: its id, a dash, the check character."""
    return f"{record_id}-{check_character(record_id)}"
