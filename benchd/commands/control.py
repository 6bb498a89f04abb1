"""Roles of users, and control of the bench.

Roles: look < answer < drive < keep. One user holds control at a time; it lapses after a minute without a command,
though not during a run of the holder's own. Looking and stopping never need it. While a run is under way only the
holder may change its light, camera and set-up.
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
    """The roles of the users. If none is stated (on loopback only) every user has every role; otherwise a user who is
    not listed has the role `look`."""

    def __init__(self, users: Mapping[str, Role] | None = None) -> None:
        self._users = dict(users or {})

    def role_of(self, user: str) -> Role:
        """The user's role."""
        return self._users.get(user, "look") if self._users else "keep"

    def has(self, user: str, least: Role) -> bool:
        """Whether the user's role is `least` or above it."""
        return _RANK[self.role_of(user)] >= _RANK[least]

    def need(self, user: str, least: Role) -> None:
        """Raises Refused (not_allowed) for a user below `least`."""
        if not self.has(user, least):
            raise Refused(
                "not_allowed",
                f"{user} has the role {self.role_of(user)}; this needs {least}.",
                advice="Roles stand in the bench file, under `mqtt` as `users`.",
                data={"needs": least},
            )


class Control:
    """The lease. `run_of` gives the user whose run is under way (None: no run); control does not lapse during it."""

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
        """The user who holds control now; None if nobody does, or if it has lapsed."""
        if self._holder is not None:
            now = self._clock.monotonic()
            if self._run_of() == self._holder:
                self._last = now
            elif now - self._last > self._idle_s:
                self._set_holder(None)
        return self._holder

    def touch(self, user: str) -> None:
        """A command of this user was accepted: the holder's minute starts anew."""
        if self.holder == user:
            self._last = self._clock.monotonic()

    def need(self, user: str) -> None:
        """Raises Refused (not_holder) unless `user` holds control."""
        holder = self.holder
        if holder != user:
            text = f"{holder} holds control." if holder else "Nobody holds control."
            raise Refused("not_holder", text, advice="Take control first (`take`).", data={"holder": holder})

    def need_in_run(self, user: str) -> None:
        """The same, but only while a run is under way."""
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
        """Give control to `user`. Raises Refused: not_holder if another holds it, not_allowed to `force` it."""
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
        self._set_holder(user)

    def release(self, user: str, *, to: str | None = None, force: bool = False) -> None:
        """Give control up, or hand it to `to`. Control of another may be released only with `keep`, by force."""
        holder = self.holder
        if holder not in (None, user):
            if not force:
                raise Refused("not_holder", f"{holder} holds control, not {user}.", data={"holder": holder})
            self._roles.need(user, "keep")
        elif to is not None:
            self.need(user)
        if to is not None:
            self._roles.need(to, "drive")
        self._set_holder(to)

    def tell(self) -> None:
        """Publish the lease, to be called once a second; idle time in steps of 5 s, so that it changes rarely."""
        holder = self.holder
        idle = None if holder is None else int((self._clock.monotonic() - self._last) // 5) * 5
        self._notices.put("control", {"holder": holder, "since": self._since, "idle_s": idle})

    def _set_holder(self, user: str | None) -> None:
        if user != self._holder:
            self._since = self._clock.utc() if user else None
        self._holder = user
        self._last = self._clock.monotonic()
        self._notices.put("control", {"holder": user, "since": self._since, "idle_s": 0 if user else None})
