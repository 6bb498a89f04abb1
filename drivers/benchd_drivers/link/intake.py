"""What becomes of received bytes, without any transport: answers for the one who asked, whole lines for the rest."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.devices import Matcher

_TEXT = bytes([*range(0x20, 0x7F), 0x09, 0x0A, 0x0D])


@dataclass(frozen=True, slots=True)
class Sorted:
    """One step: the `lines` nobody asked for, then the `answer` where a question was met, then `later` lines.

    `overflow`: more than the bound was held, and is dropped.
    """

    lines: tuple[bytes, ...] = ()
    answer: bytes | None = None
    later: tuple[bytes, ...] = ()
    overflow: bool = False


@dataclass
class Intake:
    """Reassembles what comes in pieces. Holds at most `bound` bytes, whatever is sent.

    While a question is open everything is kept for its matcher, unless that is line-wise; otherwise whole lines
    leave at once.
    """

    bound: int = 4096
    _held: bytearray = field(default_factory=bytearray)
    _until: Matcher | None = None
    _seen: int = 0
    _odd: int = 0

    def ask(self, until: Matcher) -> None:
        """Open a question; `feed(b"")` tells whether it is content already."""
        self._until = until
        self._seen = self._odd = 0

    def give_up(self) -> Sorted:
        """Close the question unanswered: whole lines leave, the piece of a line stays for its rest."""
        self._until = None
        return Sorted(lines=self._take_lines())

    def clear(self) -> None:
        """Drop the piece of a line that is held."""
        self._held.clear()

    def feed(self, data: bytes) -> Sorted:
        """Take bytes in and sort what can be sorted."""
        self._held += data
        self._seen += len(data)
        self._odd += len(data.translate(None, _TEXT))
        if self._until is None:
            return Sorted(lines=self._take_lines(), overflow=self._bounded())
        span = self._until(bytes(self._held))
        if span is None:
            lines = self._take_lines() if getattr(self._until, "line_wise", False) else ()
            return Sorted(lines=lines, overflow=self._bounded())
        self._until = None
        answer = bytes(self._held[span])
        before = bytes(self._held[: span.start])
        del self._held[: span.stop]
        return Sorted(lines=_lines(before), answer=answer, later=self._take_lines(), overflow=self._bounded())

    def looks_garbled(self) -> bool:
        """Whether what came since the question is to a good part no text, as the wrong baud rate makes it."""
        return self._odd * 4 > self._seen

    def _take_lines(self) -> tuple[bytes, ...]:
        end = self._held.rfind(b"\n") + 1
        whole = bytes(self._held[:end])
        del self._held[:end]
        return _lines(whole)

    def _bounded(self) -> bool:
        if len(self._held) <= self.bound:
            return False
        self._held.clear()
        return True


def _lines(text: bytes) -> tuple[bytes, ...]:
    return tuple(filter(None, (piece.strip(b"\r") for piece in text.split(b"\n"))))
