"""Who may do what, and who holds the bench.

Roles: look < answer < drive < keep. One user holds control at a time; it lapses after a minute without a command,
though not during a run of the holder's own. Looking and stopping never need it. While a run is under way its light,
camera and set-up are the holder's, whoever could set them otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import get_args

from benchd.bench.notices import Notices
from benchd.devices.clock import Clock
from benchd.errors import Refused
from benchd.files.mqtt_section import UserRole

Role = UserRole
_RANK = {role: rank for rank, role in enumerate(get_args(Role))}


class Roles:
    """The roles of the users. Until any is stated (on loopback alone) every name is believed and has every role; from
    then on whoever is not among them may look."""

    def __init__(self, users: Mapping[str, Role] | None = None) -> None:
        self._users = dict(users or {})

    def of(self, user: str) -> Role:
        """The user's role."""
        return self._users.get(user, "look") if self._users else "keep"

    def has(self, user: str, least: Role) -> bool:
        """Whether the user's role is `least` or above it."""
        return _RANK[self.of(user)] >= _RANK[least]

    def need(self, user: str, least: Role) -> None:
        """Raises Refused (not_allowed) for a user below `least`."""
        if not self.has(user, least):
            raise Refused(
                "not_allowed",
                f"{user} has the role {self.of(user)}; this needs {least}.",
                advice="Roles stand in the bench file, under `mqtt` as `users`.",
                data={"needs": least},
            )


class Control:
    """The lease. `run_of` tells whose run is under way (None: none is); its holder does not lapse meanwhile."""

    def __init__(
        self,
        clock: Clock,
        roles: Roles,
        notices: Notices,
        *,
        run_of: Callable[[], str | None] = lambda: None,
        idle_s: float = 60.0,
    ) -> None:
        self._clock = clock
        self._roles = roles
        self._notices = notices
        self._run_of = run_of
        self._idle_s = idle_s
        self._holder: str | None = None
        self._since: str | None = None
        self._last = 0.0
        self.tell()

    @property
    def holder(self) -> str | None:
        """Who holds control now, lapses taken into account."""
        if self._holder is not None:
            now = self._clock.monotonic()
            if self._run_of() == self._holder:
                self._last = now
            elif now - self._last > self._idle_s:
                self._give(None)
        return self._holder

    def touch(self, user: str) -> None:
        """The holder has asked for something: the minute starts anew."""
        if self.holder == user:
            self._last = self._clock.monotonic()

    def need(self, user: str) -> None:
        """Raises Refused (not_holder) unless `user` holds control."""
        holder = self.holder
        if holder != user:
            text = f"{holder} holds control." if holder else "Nobody holds control."
            raise Refused("not_holder", text, advice="Take control first (`take`).", data={"holder": holder})

    def need_in_run(self, user: str) -> None:
        """The same while a run is under way; at other times nobody needs control for this."""
        owner, holder = self._run_of(), self.holder
        if owner is None or holder == user:
            return
        whose = "nobody's: nobody holds control" if holder is None else f"{holder}'s, who holds control"
        raise Refused(
            "not_holder",
            f"A run of {owner} is under way: its light, camera and set-up are {whose}.",
            advice="Take control first (`take`)." if holder is None else f"Ask {holder}, or wait until it has ended.",
            data={"holder": holder, "run_of": owner},
        )

    def take(self, user: str, *, force: bool = False) -> None:
        """Give control to `user`. Raises Refused (not_holder) while another holds it, not_allowed for a bare force."""
        self._roles.need(user, "drive")
        holder = self.holder
        if holder not in (None, user):
            if not force:
                raise Refused(
                    "not_holder",
                    f"{holder} holds control.",
                    advice=f"Ask {holder} to release it; it lapses {self._idle_s:g} s after the last command.",
                    data={"holder": holder},
                )
            self._roles.need(user, "keep")
        self._give(user)

    def release(self, user: str, *, to: str | None = None, force: bool = False) -> None:
        """Give control up, or hand it to `to`. What another holds only `keep` may release, by force."""
        holder = self.holder
        if holder not in (None, user):
            if not force:
                raise Refused("not_holder", f"{holder} holds control, not {user}.", data={"holder": holder})
            self._roles.need(user, "keep")
        elif to is not None:
            self.need(user)
        if to is not None:
            self._roles.need(to, "drive")
        self._give(to)

    def tell(self) -> None:
        """Publish the lease; idle time in fives, so that it is not news every second. Call it once a second."""
        holder = self.holder
        idle = None if holder is None else int((self._clock.monotonic() - self._last) // 5) * 5
        self._notices.put("control", {"holder": holder, "since": self._since, "idle_s": idle})

    def _give(self, user: str | None) -> None:
        if user != self._holder:
            self._since = self._clock.utc() if user else None
        self._holder = user
        self._last = self._clock.monotonic()
        self._notices.put("control", {"holder": user, "since": self._since, "idle_s": 0 if user else None})
