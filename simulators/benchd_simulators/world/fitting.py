"""What stands on the bench: seat, adapters, plates, lens, shims, and how far the seat is from the target.

Each time two faces are mated their joint is drawn anew; `joints` has one entry for each adapter and, with a lens on,
one more for the lens, and so has `stand_offs`, what dirt between the two holds apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt

from benchd_simulators.world.drawing import Drawn, Draws, unit_draw
from benchd_simulators.world.errors import HandRefused
from benchd_simulators.world.hardware import Quantity
from benchd_simulators.world.schema import WorldRecord

REFERENCE_C = 20.0  # ISO 1
FREE_FALL_M_S2 = 9.80665


def named(names: object) -> str:
    """`a, b` for a sentence."""
    return ", ".join(str(name) for name in names) or "none"  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class Shim:
    """One piece out of the stock: its nominal size and its true thickness."""

    size_um: float
    true_um: float


@dataclass(slots=True)
class Fitting:
    """The stack from the base up; lengths are true, um, at the room's true temperature."""

    record: WorldRecord
    draws: Draws
    adapters: list[str] = field(default_factory=list)
    joints: list[float] = field(default_factory=list)
    stand_offs: list[float] = field(default_factory=list)
    glass: list[str] = field(default_factory=list)
    filters: list[str] = field(default_factory=list)
    lens: str | None = None
    shims: dict[str, list[Shim]] = field(default_factory=dict)
    matings: int = 0
    pieces: int = 0

    def __post_init__(self) -> None:
        for name, lens in self.record.lenses.items():
            # a twin was shimmed with pieces of the same thickness
            owner = lens.twin_of or name
            self.shims[name] = [
                self._shim(size, f"shim.{name}.{i}", f"shim.{owner}.{i}") for i, size in enumerate(lens.shims_fitted_um)
            ]
        for adapter in self.record.fitted.adapters:
            self.fit_adapter(adapter)
        for pane in self.record.fitted.glass:
            self.fit_glass(pane)
        if self.record.fitted.lens:
            self.fit_lens(self.record.fitted.lens)

    # --- lengths

    def true(self, name: str, quantity: Quantity, stream: str | None = None) -> float:
        return self.draws.quantity(name, *quantity.parts, stream=stream)

    def grown_um(self, what: str, length: Quantity, alpha: Quantity, delta_K: float) -> float:
        """A true length at `delta_K` above the reference temperature."""
        return self.true(f"{what}.length_um", length) * (1 + self.true(f"{what}.alpha_per_K", alpha) * delta_K)

    def base_um(self, delta_K: float) -> float:
        """Base face to target plane at encoder reading 0."""
        base = self.record.base
        return self.true("base.depth_um", base.depth_um) * (
            1 + self.true("base.alpha_per_K", base.alpha_per_K) * delta_K
        )

    def adapters_um(self, delta_K: float) -> float:
        """The adapters fitted, without their joints."""
        return self.stack_um(self.adapters, delta_K)

    def stack_um(self, adapters: Sequence[str], delta_K: float) -> float:
        """So many adapters on one another, without their joints."""
        records = self.record.adapters
        return sum(
            self.grown_um(f"adapter.{a}", records[a].length_um, records[a].alpha_per_K, delta_K) for a in adapters
        )

    def gives_um(self) -> float:
        """What lies between the lengths: joints and the dirt in them, uneven seats with something on them, sag."""
        under = self.adapters if self.lens else self.adapters[:-1]
        wedges = ((a, self.record.adapters[a].wedge_um) for a in under)
        wedge = sum(self.true(f"adapter.{a}.wedge_um", one) for a, one in wedges if one is not None)
        return sum(self.joints) + sum(self.stand_offs) + wedge + self.sag_um()

    def sag_um(self) -> float:
        """How far the seat is pulled away from the base by the lens on it."""
        gives = self.record.base.sag_um_per_N
        mass_g = self.record.lenses[self.lens].mass_g if self.lens else None
        if gives is None or mass_g is None:
            return 0.0
        return self.true("base.sag_um_per_N", gives) * mass_g / 1000 * FREE_FALL_M_S2

    def shims_um(self, lens: str) -> float:
        """True thickness of the shims under a lens."""
        return sum(shim.true_um for shim in self.shims[lens])

    def _shim(self, size_um: float, name: str, stream: str | None = None) -> Shim:
        shims = self.record.shims
        quantity = Quantity(record=size_um, u=shims.u, shape=shims.shape)
        return Shim(size_um, self.true(name, quantity, stream))

    def _mate(self) -> None:
        self.joints.append(0.0)
        self.stand_offs.append(0.0)
        self._mate_again()

    def _mate_again(self) -> None:
        """The uppermost joint anew."""
        self.matings += 1
        joint = self.record.joint
        rng = self.draws.rng(f"joint/{self.matings}")
        self.joints[-1] = self.draws.put(
            Drawn(f"joint.{self.matings}", 0.0, joint.u, joint.shape, joint.u * unit_draw(rng, joint.shape))
        )
        most = joint.stand_off_um
        self.stand_offs[-1] = self.draws.put(
            Drawn(f"stand_off.{self.matings}", most / 2, most / sqrt(12), "rectangular", most * float(rng.uniform()))
        )

    def _part(self) -> None:
        self.joints.pop()
        self.stand_offs.pop()

    # --- hands

    @property
    def seat(self) -> str:
        """What the uppermost face offers."""
        return self.record.adapters[self.adapters[-1]].seat_above if self.adapters else self.record.base.seat

    def fit_adapter(self, name: str) -> None:
        if name not in self.record.adapters:
            raise HandRefused(f"There is no adapter {name}; there are {named(self.record.adapters)}.")
        if self.lens:
            raise HandRefused(f"Lens {self.lens} is on the bench; take it off before fitting adapter {name}.")
        if name in self.adapters:
            raise HandRefused(f"Adapter {name} is fitted already.")
        below = self.record.adapters[name].seat_below
        if below != self.seat:
            raise HandRefused(f"Adapter {name} rests on {below}, but the face that is free is {self.seat}.")
        self.adapters.append(name)
        self._mate()

    def remove_adapter(self, name: str) -> None:
        if name not in self.adapters:
            raise HandRefused(f"Adapter {name} is not fitted; fitted are {named(self.adapters)}.")
        if self.lens:
            raise HandRefused(f"Lens {self.lens} is on the bench; take it off before removing adapter {name}.")
        if self.adapters[-1] != name:
            raise HandRefused(f"Adapter {self.adapters[-1]} stands on {name}; remove it first.")
        held = [pane for pane in self.glass if name in self.record.glasses[pane].fits]
        if held:
            raise HandRefused(f"Glass {named(held)} sits in adapter {name}; remove it first.")
        self.adapters.pop()
        self._part()

    def fit_glass(self, name: str) -> None:
        if name not in self.record.glasses:
            raise HandRefused(f"There is no glass {name}; there are {named(self.record.glasses)}.")
        if name in self.glass:
            raise HandRefused(f"Glass {name} is fitted already.")
        fits = self.record.glasses[name].fits
        if not set(fits) & set(self.adapters):
            raise HandRefused(f"Glass {name} fits {named(fits)}; fitted are {named(self.adapters)}.")
        self.glass.append(name)

    def remove_glass(self, name: str) -> None:
        if name not in self.glass:
            raise HandRefused(f"Glass {name} is not fitted; fitted are {named(self.glass)}.")
        self.glass.remove(name)

    def fit_lens(self, name: str) -> None:
        if name not in self.record.lenses:
            raise HandRefused(f"There is no lens {name}; there are {named(self.record.lenses)}.")
        if self.lens:
            raise HandRefused(f"Lens {self.lens} is on the bench; take it off first.")
        mount = self.record.lenses[name].mount
        if mount != self.seat:
            raise HandRefused(f"Lens {name} has mount {mount}, but the face that is free is {self.seat}.")
        self.lens = name
        self._mate()

    def remove_lens(self, name: str | None) -> None:
        if self.lens is None or name not in {None, self.lens}:
            raise HandRefused(
                f"Lens {name or ''} is not on the bench; on it is {self.lens or 'none'}.".replace("  ", " ")
            )
        self.lens = None
        self._part()

    def fit_filter(self, name: str) -> None:
        if name not in self.record.filters:
            raise HandRefused(f"There is no filter {name}; there are {named(self.record.filters)}.")
        if name in self.filters:
            raise HandRefused(f"Filter {name} is fitted already.")
        self.filters.append(name)

    def remove_filter(self, name: str) -> None:
        if name not in self.filters:
            raise HandRefused(f"Filter {name} is not fitted; fitted are {named(self.filters)}.")
        self.filters.remove(name)

    def _lens_for_shim(self, lens: str | None) -> str:
        chosen = lens or self.lens
        if chosen is None:
            raise HandRefused("Say which lens the shim goes under, or put the lens on the bench.")
        if chosen not in self.record.lenses:
            raise HandRefused(f"There is no lens {chosen}; there are {named(self.record.lenses)}.")
        return chosen

    def _reseat(self, lens: str) -> None:
        if lens == self.lens:
            self._mate_again()

    def fit_shim(self, size_um: float, lens: str | None) -> None:
        """A shim of a size in stock goes under the lens; a lens on the bench is taken off and seated again."""
        chosen = self._lens_for_shim(lens)
        if size_um not in self.record.shims.stock_um:
            sizes = named(f"{size:g}" for size in self.record.shims.stock_um)
            raise HandRefused(f"There is no shim of {size_um:g} µm; in stock are {sizes}.")
        self.pieces += 1
        self.shims[chosen].append(self._shim(size_um, f"shim.stock.{self.pieces}"))
        self._reseat(chosen)

    def remove_shim(self, size_um: float, lens: str | None) -> None:
        chosen = self._lens_for_shim(lens)
        at = [i for i, shim in enumerate(self.shims[chosen]) if shim.size_um == size_um]
        if not at:
            sizes = named(f"{shim.size_um:g}" for shim in self.shims[chosen])
            raise HandRefused(f"Lens {chosen} has no shim of {size_um:g} µm under it; it has {sizes}.")
        del self.shims[chosen][at[-1]]
        self._reseat(chosen)
