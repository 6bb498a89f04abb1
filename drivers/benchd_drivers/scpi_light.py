"""A light on a bench supply, or on a dimmer that a supply controls. Off is its output off, and that is its safe level.

Each setting is read back before the output is switched on, the limit with it: a hand may have been at the knobs. What
fails or is given up on the way ends in the dark. A supply stays as it is when its link is lost; nothing here can help.
"""

from __future__ import annotations

import asyncio
import contextlib
import math

from benchd.devices import DeviceError, Health, Identity, Light, LightSpec, Link
from benchd_drivers.finishing import finish
from benchd_drivers.scpi import TRIES, Scpi
from benchd_drivers.scpi_light_config import ScpiLightConfig
from benchd_drivers.scpi_words import decimal, number

TAKE_BACK_S = 1.5
"""So long it may take to go dark after what failed: a call that was cancelled has 2 s to end."""
CLOSE_S = 4.0
NEAR = 1e-4
"""So far, relative, a limit may be read back beside what was set: supplies print so many digits."""
_OFF = "OUTP OFF"
_BY_HAND = "Switch the output off by hand and look at its display."


class ScpiLight(Light):
    """See `benchd.devices.Light`."""

    Config = ScpiLightConfig

    def __init__(self, name: str, config: ScpiLightConfig, scpi: Scpi) -> None:
        self.name = name
        self._config = config
        self._scpi = scpi
        self._trouble = Health("ok")
        self.spec = LightSpec(least=1 / config.steps, steps=config.steps, pwm_hz=config.pwm_hz)
        self.answers_within_s = 20.0 * config.timeout_s + 5.0
        self.opens_within_s = 40.0 * config.timeout_s + 5.0

    @classmethod
    def create(cls, name: str, config: ScpiLightConfig, link: Link | None) -> ScpiLight:
        return cls(name, config, Scpi.of(link, name))

    # ---- open and close

    async def open(self) -> Identity:
        """Dark before anything is set. Full light is set once with the output off: then it is known that it can be."""
        setting, limiting = self._config.headers
        async with self._scpi.turn():
            identity = await self._scpi.identify(self.name, self._config)
            await self._go_dark()
            await self._scpi.write(self.name, "*CLS", self._config.timeout_s)
            await self._do(f"{limiting} {decimal(self._config.limit)}")
            await self._hold_limit()
            for value in reversed(self._config.between):
                await self._set(setting, value)
        self._trouble = Health("ok")
        return identity

    async def close(self) -> None:
        if not self._scpi.link.connected:
            return
        try:
            async with asyncio.timeout(CLOSE_S), self._scpi.turn():
                await self._go_dark()
        except (DeviceError, TimeoutError) as error:
            self._not_known_dark(error)
            with contextlib.suppress(DeviceError):  # nothing more can be done than to say it once more, ahead of all
                self._scpi.link.urgent(f"{_OFF}\n".encode("ascii"))

    async def health(self) -> Health:
        if not self._scpi.link.connected:
            text = f"{self.name}: link {self._scpi.link.name} is not connected; the supply stays as it was."
            return Health("fault", "link", text)
        return self._trouble

    # ---- levels

    async def set_level(self, level: float) -> None:
        if not (math.isfinite(level) and 0 <= level <= 1):
            raise ValueError(f"a light's level is 0 to 1, not {level}")
        async with self._scpi.turn():
            if level > 0:
                await self._light_up(max(level, self.spec.least))
            else:
                await self._put_out()
        self._trouble = Health("ok")

    async def _light_up(self, level: float) -> None:
        """Raises DeviceError; the light is dark then, and when it is cancelled."""
        await self._hold_limit()
        try:
            await self._set(self._config.headers[0], self._config.value(level))
            await self._do("OUTP ON")
            if not await self._is_on():
                raise self._fault("its output stays off", "Look at its display: has its protection put it out?")
        except BaseException as error:
            await finish(self._take_back(error), f"darken {self.name}")
            raise

    async def _put_out(self) -> None:
        try:
            await self._go_dark()
        except DeviceError as error:
            self._not_known_dark(error)
            raise

    async def _take_back(self, why: BaseException) -> None:
        """Of what failed or was given up nothing may show later."""
        try:
            async with asyncio.timeout(TAKE_BACK_S):
                await self._go_dark()
        except (DeviceError, TimeoutError) as error:
            self._not_known_dark(error)
            return
        reason = why.text.rstrip(".") if isinstance(why, DeviceError) else "another level was asked for, and given up"
        self._trouble = Health("degraded", "dark", f"{self.name} is dark: {reason}. Set it anew.")

    def _not_known_dark(self, error: BaseException) -> None:
        why = getattr(error, "text", "it does not answer in time").rstrip(".")
        self._trouble = Health("fault", "unknown", f"{self.name}: whether it is dark is not known: {why}. {_BY_HAND}")

    async def level(self) -> float:
        """As the supply has it now; 0 where its output is off, and 0 to 1 whatever was turned at its knobs."""
        async with self._scpi.turn():
            if not await self._is_on():
                return 0.0
            level = self._config.level(await self._number(f"{self._config.headers[0]}?"))
        half = 0.5 / self.spec.steps
        if not -half <= level <= 1 + half:
            text = f"{self.name} is set beyond what the bench file states, at its knobs. Set it anew."
            self._trouble = Health("degraded", "changed", text)
        return min(1.0, max(self.spec.least, level))

    # ---- the supply

    async def _go_dark(self) -> None:
        """Off, as the supply itself says. Nothing that stands in its error queue keeps it from that."""
        for _ in range(TRIES):
            await self._scpi.write(self.name, _OFF, self._config.timeout_s)
            if not await self._is_on():
                with contextlib.suppress(DeviceError):
                    await self._scpi.check(self.name, _OFF, self._config.timeout_s)
                return
        raise self._fault(f"it was told {_OFF} {TRIES} times, and its output is still on", _BY_HAND)

    async def _hold_limit(self) -> None:
        limiting, limit = self._config.headers[1], self._config.limit
        told = await self._told(limiting, limit, NEAR * limit)
        if told is not None:
            raise DeviceError(
                f"{self.name}: the supply's own limit is {told:g} ({limiting}?), in the bench file it is {limit:g}.",
                advice="Turn it back at its knobs, or state another limit; at its next start benchd sets it itself.",
                device=self.name,
                frames=self._scpi.link.recent,
                code="limit",
            )

    async def _set(self, setting: str, value: float) -> None:
        low, high = self._config.between
        await self._do(f"{setting} {decimal(value)}")
        told = await self._told(setting, value, 0.501 * (high - low) / self._config.steps)
        if told is not None:
            raise self._fault(
                f"it was told {setting} {decimal(value)} and has {told:g}",
                "State as many `steps` as it tells apart, and values within its range; or check cable and baud rate.",
            )

    async def _told(self, setting: str, value: float, within: float) -> float | None:
        """What it has instead of that value, None where it has it; asked again, as an answer may be damaged."""
        told = math.nan
        for _ in range(TRIES):
            told = await self._number(f"{setting}?")
            if abs(told - value) <= within:
                return None
        return told

    async def _is_on(self) -> bool:
        said = ""
        for _ in range(TRIES):
            said = await self._scpi.ask(self.name, "OUTP?", self._config.timeout_s)
            if said.upper() in ("0", "1", "OFF", "ON"):
                return said.upper() in ("1", "ON")
        raise self._scpi.garbled(self.name, "OUTP?", said)

    async def _number(self, query: str) -> float:
        said = ""
        for _ in range(TRIES):
            said = await self._scpi.ask(self.name, query, self._config.timeout_s)
            with contextlib.suppress(ValueError):
                return number(said)
        raise self._scpi.garbled(self.name, query, said)

    async def _do(self, command: str) -> None:
        await self._scpi.do(self.name, command, self._config.timeout_s)

    def _fault(self, what: str, advice: str) -> DeviceError:
        return DeviceError(f"{self.name}: {what}.", advice=advice, device=self.name, frames=self._scpi.link.recent)
