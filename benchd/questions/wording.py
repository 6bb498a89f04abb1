"""How a finding reads: names of its values, the sentence beside them, what to do, its picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, final

if TYPE_CHECKING:
    from benchd.records.values import ReadingRow

Doc = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Named:
    """A value's name as printed; one that is no difference from anything is printed without a plus."""

    name: str
    signed: bool = True


@dataclass(frozen=True, slots=True)
class Material:
    """What a picture may be drawn from: the readings of the run, and the noise of one position (um).

    `position_u_um` is None where the bench file does not tell it; `say` is told what a reader should know.
    """

    readings: Sequence[ReadingRow]
    position_u_um: float | None
    say: Callable[[str], None]


class Wording:
    """The words for any finding, made of its document alone; a question says in its own what it knows better.

    `values` says how its values are printed. `judged` names the value that is held against a tolerance, None where
    none is. `drawn` says in a few words what its picture shows, None where it has none of its own. What is final goes
    by these alone, and serves the daemon too; the rest is called only where findings are shown.
    """

    values: ClassVar[Mapping[str, Named]] = {}
    judged: ClassVar[str | None] = None
    drawn: ClassVar[str | None] = None

    @final
    @classmethod
    def named(cls, key: str) -> Named:
        """How a value is printed."""
        return cls.values.get(key) or Named(key.replace("_", " ").capitalize())

    @final
    @classmethod
    def main(cls, doc: Doc) -> str | None:
        """The value that the finding is about: the one judged, else the first with an interval; None without any."""
        if doc["verdict"] is not None:
            return str(doc["verdict"]["value"])
        if cls.judged in doc["values"]:
            return cls.judged
        return next((key for key, value in doc["values"].items() if value.get("U") is not None), None)

    @final
    @classmethod
    def judges(cls, doc: Doc) -> bool:
        """Whether a tolerance could be held against this finding."""
        return doc["verdict"] is not None or cls.judged in doc["values"]

    @final
    @classmethod
    def interval(cls, doc: Doc, key: str) -> str:
        """A value with its expanded uncertainty and unit, as printed."""
        from benchd.reports.numbers import with_interval

        return with_interval(doc["values"][key], sign=cls.named(key).signed)

    @final
    @classmethod
    def draws(cls, doc: Doc) -> str | None:
        """What a picture of this finding would show, `through-focus curve`; None where there is none."""
        return cls.drawn or (", ".join(name.replace("_", " ") for name in doc.get("curves") or ()) or None)

    def said(self, doc: Doc) -> str:
        """One sentence on the value that the finding is about; empty where the figure says it all."""
        return ""

    def advised(self, doc: Doc) -> Sequence[tuple[str, str]]:
        """What to do, by a word each; what would decide an undecided verdict is told without it."""
        return ()

    def picture(self, doc: Doc, material: Material) -> bytes:
        """A PNG of what the readings say. Raises Refused (not_found) where they do not, or there is no picture.

        Curves that the finding itself holds are drawn by it; a question draws its own where it knows better.
        """
        from benchd.reports.curves import draw

        return draw(doc)
