"""What becomes of received bytes, without any transport: answers for the one who asked, whole lines for the rest."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchd.devices import Matcher

_TEXT = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}


@dataclass(frozen=True, slots=True)
class Sorted:
    """One step: `answer` where a question was met, the `lines` nobody asked for, `overflow` beyond the bound."""

    answer: bytes | None = None
    lines: tuple[bytes, ...] = ()
    overflow: bool = False


@dataclass
class Intake:
    """Reassembles what comes in pieces. Holds at most `bound` bytes, whatever is sent.

    While a question is open everything is kept for its matcher; otherwise whole lines leave at once.
    """

    bound: int = 4096
    _held: bytearray = field(default_factory=bytearray)
    _until: Matcher | None = None
    discarded: int = 0

    def ask(self, until: Matcher) -> None:
        """Open a question; `feed(b"")` tells whether it is content already."""
        self._until = until

    def give_up(self) -> Sorted:
        """Close the question unanswered: whole lines leave, the piece of a line stays for its rest."""
        self._until = None
        return Sorted(lines=self._take_lines())

    def clear(self) -> None:
        """Drop the piece of a line that is held."""
        self._discard()

    def feed(self, data: bytes) -> Sorted:
        """Take bytes in and sort what can be sorted."""
        self._held += data
        if self._until is None:
            lines = self._take_lines()
            return Sorted(lines=lines, overflow=self._bounded())
        span = self._until(bytes(self._held))
        if span is None:
            return Sorted(overflow=self._bounded())
        self._until = None
        answer = bytes(self._held[span])
        before = bytes(self._held[: span.start])
        del self._held[: span.stop]
        lines = tuple(filter(None, (piece.strip(b"\r\n") for piece in before.split(b"\n"))))
        return Sorted(answer=answer, lines=lines + self._take_lines())

    def looks_garbled(self) -> bool:
        """Whether what is held is mostly no text at all, as the wrong baud rate makes it."""
        odd = sum(byte not in _TEXT for byte in self._held)
        return odd * 4 > len(self._held)

    def _take_lines(self) -> tuple[bytes, ...]:
        end = self._held.rfind(b"\n")
        if end < 0:
            return ()
        pieces = bytes(self._held[:end]).split(b"\n")
        del self._held[: end + 1]
        return tuple(filter(None, (piece.strip(b"\r") for piece in pieces)))

    def _bounded(self) -> bool:
        if len(self._held) <= self.bound:
            return False
        self._discard()
        return True

    def _discard(self) -> None:
        self.discarded += len(self._held)
        self._held.clear()
