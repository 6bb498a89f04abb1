"""Calls a question's own wording for a finding; if that fails, uses the plain wording and prints a line saying so."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from benchd.errors import BenchdError
from benchd.questions.registry import wording_of
from benchd.questions.wording import Material, Wording

Doc = Mapping[str, Any]
T = TypeVar("T")


def sentence(doc: Doc) -> str:
    """One sentence on the value that the finding is about, or nothing."""
    return _own(doc, lambda words: str(words.said(doc)))


def advice(doc: Doc) -> Sequence[tuple[str, str]]:
    """What to do, by a word each."""
    return _own(doc, lambda words: [(str(name), str(text)) for name, text in words.advised(doc)])


def picture(doc: Doc, material: Material) -> bytes:
    """A PNG. Raises Refused (not_found), ImportError."""
    return _own(doc, lambda words: bytes(words.picture(doc, material)))


def _own(doc: Doc, ask: Callable[[Wording], T]) -> T:
    try:
        return ask(wording_of(doc)())
    except (BenchdError, ImportError):
        raise
    except (Exception, SystemExit) as error:  # noqa: BLE001 another package may raise anything
        from benchd.cli.speak import remark

        remark(f"The assessment '{doc['assessment']}' has no words for it: {type(error).__name__}: {error}")
        return ask(Wording())
