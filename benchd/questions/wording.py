"""How a finding is presented: names of its values, a sentence on them, advice, its picture."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, final

if TYPE_CHECKING:
    from benchd.records.values import ReadingRow

Doc = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Named:
    """A value's name as printed; `signed`: it is a difference, printed with a plus if positive."""

    name: str
    signed: bool = True


@dataclass(frozen=True, slots=True)
class Material:
    """Data for a picture: the readings of the run, and the noise of one position (um).

    `position_u_um` is None if the bench file does not give it; call `say` with sentences that the reader should see.
    """

    readings: Sequence[ReadingRow]
    position_u_um: float | None
    say: Callable[[str], None]


class Wording:
    """The plain wording for any finding, from its document alone; a question overrides it.

    `values` gives the printed names of values. `judged` names the value that is compared with a tolerance, None if
    there is none. `drawn` says in a few words what the question's own picture shows, None without one. The final
    methods use these attributes alone, and the daemon calls them too; the others are called only to show findings.
    """

    values: ClassVar[Mapping[str, Named]] = {}
    judged: ClassVar[str | None] = None
    drawn: ClassVar[str | None] = None

    @final
    @classmethod
    def named(cls, key: str) -> Named:
        """The printed name of a value."""
        return cls.values.get(key) or Named(key.replace("_", " ").capitalize())

    @final
    @classmethod
    def main(cls, doc: Doc) -> str | None:
        """The finding's main value: the one judged, else the first with an interval; None without any."""
        if doc["verdict"] is not None:
            return str(doc["verdict"]["value"])
        if cls.judged in doc["values"]:
            return cls.judged
        return next((key for key, value in doc["values"].items() if value.get("U") is not None), None)

    @final
    @classmethod
    def judges(cls, doc: Doc) -> bool:
        """Whether the finding has a value that can be compared with a tolerance."""
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
        """What a picture of this finding would show, `through-focus curve`; None if there is no picture."""
        return cls.drawn or (", ".join(name.replace("_", " ") for name in doc.get("curves") or ()) or None)

    def said(self, doc: Doc) -> str:
        """One sentence on the main value; empty if the figure is enough."""
        return ""

    def advised(self, doc: Doc) -> Sequence[tuple[str, str]]:
        """Advice as pairs of heading and text; what would decide an undecided verdict is added elsewhere."""
        return ()

    def picture(self, doc: Doc, material: Material) -> bytes:
        """A PNG of the finding. Raises Refused (not_found) if the readings do not suffice, or there is no picture.

        By default the curves in the finding itself are drawn; a question may draw its own picture.
        """
        from benchd.reports.curves import draw

        return draw(doc)
