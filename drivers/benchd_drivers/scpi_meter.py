"""A bench multimeter by SCPI: volts of a photodiode's amplifier, ohms of a thermistor, or what else it measures."""

from __future__ import annotations

from statistics import fmean
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from benchd.devices import (
    Clock,
    DeviceError,
    Health,
    Identity,
    Implausible,
    Link,
    LinkError,
    LinkGarbled,
    Meter,
    Reading,
    now_s,
)
from benchd_drivers.meter_range import ScaleConfig, judged
from benchd_drivers.scpi import TRIES, Scpi, ScpiConfig
from benchd_drivers.scpi_words import NoNumber, Overload, block, decimal, number, reals, short_form, whole_block

RESET_S = 3.0
"""A meter may take so long to come to itself."""
NEAR = 1e-6
"""So far what is read back may lie beside what was stated: more digits are not printed."""


class Buffer(BaseModel):
    """Several readings at one trigger, sent as one block of numbers of IEEE 754."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    samples: int = Field(ge=1, le=5000)
    bits: Literal[32, 64] = 64


class ScpiMeterConfig(ScaleConfig, ScpiConfig):
    """`function` is the instrument's own word, such as VOLTage:DC or RESistance; `range` its greatest value, chosen by
    the instrument itself where none is stated. `ask: measure` is for instruments that know no READ?; it sets all anew
    each time. The value told is `scale` times the instrument's, plus `offset`, of a `buffer` the mean; outside
    `low` .. `high` it is bad. `settle_ms` is waited before each trigger, `reading_s` the longest an answer takes.
    """

    function: str
    range: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    power_cycles: float | None = Field(default=None, gt=0, le=1000)
    settle_ms: float = Field(default=0.0, ge=0, le=10_000)
    reading_s: float = Field(default=2.0, gt=0, le=60)
    ask: Literal["read", "measure"] = "read"
    buffer: Buffer | None = None

    @field_validator("function")
    @classmethod
    def _header(cls, value: str) -> str:
        return short_form(value)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.ask == "measure":
            for key in ("power_cycles", "buffer"):
                if getattr(self, key) is not None:
                    raise ValueError(f"{key}: nothing here; `ask: measure` sets the instrument anew each time")
        return self


class ScpiMeter(Meter):
    """See `benchd.devices.Meter`. Asking changes nothing, so a damaged answer is asked for again."""

    Config = ScpiMeterConfig

    def __init__(self, name: str, config: ScpiMeterConfig, scpi: Scpi) -> None:
        self.name = name
        self.quantity, self.unit = config.quantity, config.unit
        self._config = config
        self._scpi = scpi
        self._clock = Clock()
        self._health = Health("ok")
        once_s = config.reading_s + 2 * config.timeout_s
        self.answers_within_s = config.settle_ms / 1000 + TRIES * once_s + 3.0
        self.opens_within_s = 30.0 * config.timeout_s + RESET_S

    @classmethod
    def create(cls, name: str, config: ScpiMeterConfig, link: Link | None) -> ScpiMeter:
        return cls(name, config, Scpi.of(link, name))

    # ---- open and close

    async def open(self) -> Identity:
        async with self._scpi.turn():
            identity = await self._scpi.identify(self.name, self._config)
            for command in ("*RST", "*CLS"):  # what others have set, and what they were told
                await self._scpi.write(self.name, command, self._config.timeout_s)
            await self._scpi.check(self.name, "*RST", max(self._config.timeout_s, RESET_S))
            if self._config.ask == "read":
                await self._configure()
        self._health = Health("ok")
        return identity

    async def _configure(self) -> None:
        config = self._config
        header = config.function
        await self._do(f"CONF:{header}" + ("" if config.range is None else f" {decimal(config.range)}"))
        told = await self._ask("FUNC?")
        if not _same(told.strip("\"'"), header):
            raise self._not_as_stated("function", told, header)
        if config.range is not None:
            in_force = await self._number(f"{header}:RANG?")
            if in_force < config.range * (1 - NEAR):
                raise self._not_as_stated("range", f"{in_force:g}", f"{config.range:g}")
        if config.power_cycles is not None:
            await self._do(f"{header}:NPLC {decimal(config.power_cycles)}")
            cycles = await self._number(f"{header}:NPLC?")
            if cycles < config.power_cycles * (1 - NEAR):
                raise self._not_as_stated("power_cycles", f"{cycles:g}", f"{config.power_cycles:g}")
        if config.buffer is None:
            return
        await self._do(f"SAMP:COUN {config.buffer.samples}")
        await self._do(f"FORM REAL,{config.buffer.bits}")
        await self._do("FORM:BORD NORM")

    async def close(self) -> None:
        """Nothing to leave safe."""

    async def health(self) -> Health:
        if not self._scpi.link.connected:
            return Health("fault", "link", f"{self.name}: link {self._scpi.link.name} is not connected.")
        return self._health

    # ---- reading

    async def read(self) -> Reading:
        config = self._config
        async with self._scpi.turn():
            await self._clock.sleep(config.settle_ms / 1000)
            try:
                value, t_mono = await self._value()
            except Overload as overload:
                self._health = Health("fault", "overload", f"{self.name} tells {overload}.")
                raise Implausible(
                    self._health.text,
                    advice="State a greater `range`, lower the light, or look for an open lead.",
                    device=self.name,
                    frames=self._scpi.link.recent,
                ) from None
            except DeviceError as error:
                self._health = Health("fault", error.code, error.text)
                raise
        told = value * config.scale + config.offset
        quality, self._health = judged(self.name, told, self.unit, config.low, config.high)
        return Reading(told, self.unit, t_mono, self._clock.utc(), quality)

    async def _value(self) -> tuple[float, float]:
        """The mean of what one trigger gives, and the middle of the exchange. Raises Overload, DeviceError."""
        said: LinkError | None = None
        for _ in range(TRIES):
            began = now_s()
            try:
                return await self._triggered(), (began + now_s()) / 2
            except NoNumber as wrong:
                said = LinkGarbled(
                    f"{self.name}: {wrong}.",
                    advice="Check `function` and `buffer`, cable and baud rate.",
                    device=self.name,
                    frames=self._scpi.link.recent,
                )
            except LinkGarbled as garbled:
                said = garbled
        assert said is not None
        raise said

    async def _triggered(self) -> float:
        config = self._config
        if config.ask == "measure":
            asked = f"MEAS:{config.function}?" + ("" if config.range is None else f" {decimal(config.range)}")
        else:
            asked = "READ?"
        if config.buffer is None:
            return number(await self._scpi.ask(self.name, asked, config.timeout_s, config.reading_s))
        raw = await self._scpi.ask_raw(self.name, asked, whole_block(), config.timeout_s, config.reading_s)
        return fmean(reals(block(raw), config.buffer.bits, config.buffer.samples))

    # ----

    async def _do(self, command: str) -> None:
        await self._scpi.do(self.name, command, self._config.timeout_s)

    async def _ask(self, query: str) -> str:
        return await self._scpi.ask(self.name, query, self._config.timeout_s)

    async def _number(self, query: str) -> float:
        said = await self._ask(query)
        try:
            return number(said)
        except ValueError:
            raise self._scpi.garbled(self.name, query, said) from None

    def _not_as_stated(self, key: str, told: str, stated: str) -> DeviceError:
        return DeviceError(
            f"{self.name}: the instrument has {told} for `{key}`, where the bench file states {stated}.",
            advice="State what the instrument offers.",
            device=self.name,
            frames=self._scpi.link.recent,
        )


def _same(told: str, header: str) -> bool:
    """Two words for one function, in any form; DC is what is meant where nothing is said."""
    try:
        told = short_form(told)
    except ValueError:
        return False
    return told.removesuffix(":DC") == header.removesuffix(":DC")
