"""Each command is carried out at most once: its id is remembered."""

from __future__ import annotations

from collections import Counter, OrderedDict

from benchd.devices.clock import Clock
from benchd.errors import Refused


class SeenIds:
    """The ids of the last minute, by user. Memory is bounded: further ids are refused, none is forgotten early."""

    def __init__(self, clock: Clock, *, keep_s: float = 60.0, most: int = 20_000, most_per_user: int = 5_000) -> None:
        self._clock = clock
        self._keep_s = keep_s
        self._most = most
        self._most_per_user = most_per_user
        self._seen: OrderedDict[tuple[str, str], float] = OrderedDict()
        self._per_user: Counter[str] = Counter()

    def __len__(self) -> int:
        return len(self._seen)

    def take(self, user: str, ident: str) -> None:
        """Note the id. Raises Refused: `duplicate` if it was seen, `busy` if too many came within the minute."""
        now = self._clock.monotonic()
        self._forget(now)
        if (user, ident) in self._seen:
            raise Refused(
                "duplicate",
                f"The command {ident} was received before.",
                advice="Each id is carried out once; send a new one.",
            )
        if len(self._seen) >= self._most or self._per_user[user] >= self._most_per_user:
            raise Refused("busy", "Too many commands within a minute.", advice="Send fewer; stop is always heard.")
        self._seen[user, ident] = now
        self._per_user[user] += 1

    def _forget(self, now: float) -> None:
        while self._seen:
            key, since = next(iter(self._seen.items()))
            if now - since <= self._keep_s:
                return
            del self._seen[key]
            self._per_user[key[0]] -= 1
            if not self._per_user[key[0]]:
                del self._per_user[key[0]]
