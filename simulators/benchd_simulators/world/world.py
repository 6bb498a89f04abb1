"""One simulated bench: everything hidden, and the few things hardware would show of it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from benchd_simulators.world import faults, hand, truth
from benchd_simulators.world.arrangements import arranged
from benchd_simulators.world.camera import Camera
from benchd_simulators.world.carriage import Carriage
from benchd_simulators.world.contacts import Contacts
from benchd_simulators.world.dial import Dial
from benchd_simulators.world.drawing import Draws
from benchd_simulators.world.encoder import Encoder
from benchd_simulators.world.errors import HandRefused, WorldFileError
from benchd_simulators.world.fitting import Fitting
from benchd_simulators.world.hardware import PhotodiodeRecord
from benchd_simulators.world.indicator import Indicator
from benchd_simulators.world.lamp import Lamp
from benchd_simulators.world.lens import E_LINE_NM, Lens, Optic
from benchd_simulators.world.motor import Motor
from benchd_simulators.world.photodiode import Photodiode
from benchd_simulators.world.reading import find_world, read_world
from benchd_simulators.world.room import Ring, Room
from benchd_simulators.world.room_meters import RoomMeters
from benchd_simulators.world.schema import LayerRecord, WorldRecord
from benchd_simulators.world.tube import Tube
from benchd_simulators.world.turned import Turned
from benchd_simulators.world.view import View


class World:
    """The hidden bench of one seed.

    `time` tells real seconds; world time is `pace` times that, so that motion, settling and exposure run faster while
    a reader of the clock sees real time. All attributes show the state at the moment of asking.
    """

    def __init__(self, record: WorldRecord, seed: int, pace: float, time: Callable[[], float]) -> None:
        if not pace > 0:
            raise ValueError("pace must be above 0")
        self.record, self.seed, self.pace = record, seed, pace
        began = time()
        self.now: Callable[[], float] = lambda: (time() - began) * pace
        self.draws = Draws(seed)
        self.arrangement = arranged(record, self.draws)
        self.room = Room(record, self.draws, self.arrangement, self.now)
        self.fitting = Fitting(record, self.draws)
        self.lens = Lens(record, self.draws)
        self.motor = Motor(record.carriage.acceleration_um_s2, self.now)
        self.carriage = Carriage(record.carriage, self.motor, self.draws, self.now)
        self.turned = {
            ring: Turned(f"{ring}_ring", turned, self.draws, self.now) for ring, turned in record.turned.items()
        }
        self._encoder = None if record.encoder is None else Encoder(record.encoder, self.carriage, self.draws)
        self._dial = None if record.dial is None else Dial(record.dial, self.carriage, self.draws)
        self.indicator = Indicator(record.indicator, self.draws, self.now)
        self.indicator_at = "away"
        self.carriage.passes = self._drags_the_tips
        self.stuck_switch: str | None = None
        self.contacts = Contacts(self.draws, self.now)
        self.lamp = Lamp(record.lamp, self.now)
        self.view = View(self)
        self.camera = Camera(record.camera, record.uneven, self.draws, self.view.scene)
        self._photodiode = None if record.photodiode is None else self._with_photodiode(record.photodiode)
        self.tube = None if record.tube is None else Tube(record.tube, record.flats, self.draws)
        if self.tube is not None:  # as it stands before anybody sets it
            self.tube.leave_at(self.room.vergence_per_m, self.room.delta_K)
        self._draw_all()
        self._warm()
        self.room.taped_at(self._stands_um(record.room.distance_over, (), None))
        self.room.stands = lambda: self._stands_um(self.fitting.adapters, self.fitting.glass, self.fitting.lens)
        meters = record.room.meters
        self._room_meters = None if meters is None else RoomMeters(meters, self.room, self.draws)

    # --- what hardware shows

    @property
    def carriage_um(self) -> float:
        """The true place of the carriage from the reference mark."""
        self._drift()
        return self.carriage.um()

    @property
    def limbs(self) -> Mapping[str, World | Turned]:
        """All that a motor of the board moves, by its letter."""
        return {"Z": self, **{turned.letter: turned for turned in self.turned.values()}}

    @property
    def board_settings(self) -> Mapping[int, float]:
        """What of the board's settings is otherwise than usual."""
        return {int(number[1:]): value for number, value in self.record.board.settings.items()}

    @property
    def limit_switch(self) -> bool:
        """The home switch at the low end."""
        true = self.carriage.switch()
        return true if self.stuck_switch is None else self.stuck_switch == "on"

    @property
    def end_switch(self) -> bool:
        """The switch at the far end; behind either switch stands a hard stop."""
        return self.carriage.end_switch()

    @property
    def switches_off_um(self) -> float:
        """How far the carriage is from where a switch changes, at the least: so long nobody need look at them."""
        return self.carriage.switches_off_um()

    @property
    def encoder(self) -> Encoder:
        """The encoder. Raises `HandRefused` where none stands on the bench."""
        if self._encoder is None:
            raise HandRefused("There is no encoder on this bench.")
        return self._encoder

    @property
    def has_dial(self) -> bool:
        return self._dial is not None

    def dial_um(self) -> float:
        """What the gauge on the carriage shows. Raises `HandRefused` where none stands there."""
        if self._dial is None:
            raise HandRefused("There is no gauge on the carriage.")
        return self._dial.read_um()

    @property
    def has_encoder(self) -> bool:
        return self._encoder is not None

    @property
    def resets_on_open(self) -> bool:
        """Whether opening its port resets the motion board."""
        return self.record.board.resets_on_open

    def encoder_um(self) -> float:
        """The counter's reading."""
        self._drift()
        return self.encoder.read_um()

    @property
    def encoder_reference_seen(self) -> bool:
        """True once the carriage has passed the reference mark since power-up."""
        self.encoder.read_um()
        return self.encoder.reference_seen

    def indicator_um(self) -> float:
        """The indicator's display where its bridge stands; +-999.9 beyond the range or standing nowhere."""
        return self.indicator.read_um(self._below_um())

    @property
    def has_photodiode(self) -> bool:
        return self._photodiode is not None

    @property
    def has_reference(self) -> bool:
        """Whether a second diode sees the lamp alone."""
        return self.record.photodiode is not None and self.record.photodiode.reference_V is not None

    @property
    def room_meters(self) -> RoomMeters | None:
        """What meters tell of the room; None where there are none."""
        return self._room_meters

    @property
    def photodiode(self) -> Photodiode:
        """Raises `HandRefused` where none stands on the bench."""
        if self._photodiode is None:
            raise HandRefused("There is no photodiode on this bench.")
        return self._photodiode

    def _with_photodiode(self, record: PhotodiodeRecord) -> Photodiode:
        return Photodiode(
            record,
            self.draws,
            self.now,
            passed=self._passes_slits,
            lamp=self.lamp.light,
            still_s=lambda: max(0.0, self.now() - max(self.motor.rest_t, self.lamp.set_t)),
        )

    def _passes_slits(self) -> float:
        """The light through the slits as iris and filters leave it."""
        optic = self.optic()
        if optic is None:
            return 0.0
        left = (2.0 / optic.f_number) ** 2 * self.filtered()
        return left * self.photodiode.light_of(optic, self.depth_um())

    def filtered(self) -> float:
        """The share of the light that filters leave."""
        left = 1.0
        for name in self.fitting.filters:
            left *= self.record.filters[name].transmission
        return left

    def circuit_closed(self, switch: str) -> bool:
        """Whether the circuit of `emergency_stop` or `hands_in` is closed, which opens as somebody acts on it."""
        return self.contacts.closed(switch)

    def _drags_the_tips(self, from_um: float, to_um: float) -> None:
        if self.indicator_at in {"base", "adapter"}:
            carried_um = self.arrangement.carried_um
            self.indicator.follow(carried_um(to_um) - carried_um(from_um))
        if self._dial is not None:
            self._dial.follow(to_um)

    # --- the hand

    def hand(self, command: Mapping[str, Any]) -> dict[str, Any]:
        """Carry out a hand command; wrong ones are answered with a sentence."""
        return hand.answer(self, command)

    def fault(self, name: str, value: object = True) -> None:
        """Bring about a fault of the world; raises `HandRefused` for an unknown one."""
        faults.inject(self, name, value)

    def standing(self) -> dict[str, Any]:
        """What a person at the bench can see of the set-up."""
        fitting = self.fitting
        return {
            "adapters": list(fitting.adapters),
            "glass": list(fitting.glass),
            "filters": list(fitting.filters),
            "lens": fitting.lens,
            "shims_um": [shim.size_um for shim in fitting.shims[fitting.lens]] if fitting.lens else [],
            "ring": self.ring,
            "iris": self.iris(),
            "wall_mm": None if self.arrangement.no_wall else self.room.distance_mm,
            "indicator": self.indicator_at,
            "temperature_C": self.room.temperature_C,
        }

    def iris(self) -> float | None:
        """The engraved stop the iris stands at, None without a lens."""
        if self.fitting.lens is None:
            return None
        lens = self.record.lenses[self.fitting.lens]
        open_stop, turned = lens.f_number, self.turned.get("iris")
        if turned is not None and lens.rings.iris is not None:
            stops = (turned.place_deg - lens.rings.iris.open_deg) / lens.rings.iris.deg_per_stop
            return float(open_stop * 2 ** (max(stops, 0.0) / 2))
        return max(self.room.iris or open_stop, open_stop)

    @property
    def ring(self) -> Ring:
        """Where the focus ring stands: as a hand has set it, or where a motor has turned it to."""
        lens = None if self.fitting.lens is None else self.record.lenses[self.fitting.lens]
        turned = self.turned.get("focus")
        if lens is None or turned is None or lens.rings.focus is None:
            return self.room.ring
        return {"turned_deg": turned.place_deg}

    def must_image(self, name: str) -> None:
        """Raises `HandRefused` for a lens that can make no image here as things stand."""
        lens = self.lens.optic(name, ring=self.ring, distance_mm=self.room.true_distance_mm)
        self.arrangement.must_image(name, lens)

    def the_tube(self) -> Tube:
        """The collimator's draw tube."""
        if self.tube is None:
            raise HandRefused("There is no collimator with a draw tube on this bench.")
        return self.tube

    @property
    def vergence_per_m(self) -> float:
        """Of the collimator's light where the lens stands, positive where it diverges."""
        return self.room.vergence_per_m if self.tube is None else self.tube.vergence_per_m(self.room.delta_K)

    def set_temperature(self, value: float) -> None:
        self.room.set_temperature(value)
        self._warm()

    # --- the truth

    def _draw_all(self) -> None:
        """Everything is drawn at the beginning, so that the truth is whole whatever is on the bench."""
        record, fitting = self.record, self.fitting
        fitting.base_um(0.0)
        if record.base.sag_um_per_N is not None:
            fitting.true("base.sag_um_per_N", record.base.sag_um_per_N)
        self.draws.quantity("target.side_mm", *record.target.side_mm.parts)
        for name, adapter in record.adapters.items():
            fitting.grown_um(f"adapter.{name}", adapter.length_um, adapter.alpha_per_K, 0.0)
            if adapter.wedge_um is not None:
                fitting.true(f"adapter.{name}.wedge_um", adapter.wedge_um)
        for name, reference in record.references.items():
            fitting.grown_um(f"reference.{name}", reference.length_um, reference.alpha_per_K, 0.0)
        self.lens.draw_all()

    def _warm(self) -> None:
        delta = self.room.delta_K
        self.carriage.advance()
        self.carriage.growth = 1 + self.record.carriage.alpha_per_K * delta
        if self._encoder is not None:
            self._encoder.delta_K = delta

    def _drift(self) -> None:
        if self.record.room.drift_K_per_h:
            self._warm()

    def _below_um(self) -> float | None:
        delta = self.room.delta_K
        if self.indicator_at == "away":
            return None
        if self.indicator_at in {"base", "adapter"}:
            return self.depth_um() - sum(layer.thickness_um for layer in self.lens.cover(E_LINE_NM))
        ring = self.record.references[self.indicator_at]
        return self.fitting.grown_um(f"reference.{self.indicator_at}", ring.length_um, ring.alpha_per_K, delta)

    def depth_um(self) -> float:
        """True depth: from the uppermost face on the bench (the lens's seat, with a lens on) to the target plane,
        the sensor where that is what stands behind the lens, or the source with autocollimation."""
        delta = self.room.delta_K
        fitting, carried_um = self.fitting, self.arrangement.carried_um(self.carriage_um)
        return fitting.base_um(delta) + carried_um + fitting.adapters_um(delta) + fitting.gives_um()

    def _stands_um(self, adapters: Sequence[str], glass: Sequence[str], lens: str | None) -> float:
        """How far behind the base face a target in focus lies: with the mount's depth from the seat, which adapters
        carry away from the base, deeper by what plates add. Without a lens as with one of the first mount."""
        mounts = self.record.mounts
        flange = (mounts[self.record.lenses[lens].mount] if lens else next(iter(mounts.values()))).flange_depth_um
        layers = [layer for one in glass for layer in self.record.glasses[one].layers]
        solid = [layer for layer in layers if isinstance(layer, LayerRecord)]
        plates = sum(1000 * layer.thickness_mm.record * (1 - 1 / layer.index.record) for layer in solid)
        return flange + plates - self.fitting.stack_um(adapters, self.room.delta_K)

    def optic(self) -> Optic | None:
        """How the bench images now with the lens on it as it is set, and what stands behind it; None without a lens."""
        lens = self.lens_alone()
        return None if lens is None else self.arrangement.images(lens, self.carriage_um)

    def lens_alone(self, distance_mm: float | None = None) -> Optic | None:
        """The same for an object as far away as the wall or the collimator's light has it, whatever the bench adds."""
        if self.fitting.lens is None:
            return None
        return self.lens.optic(
            self.fitting.lens,
            iris=self.iris(),
            ring=self.ring,
            distance_mm=self.room.true_distance_mm if distance_mm is None else distance_mm,
            vergence_per_m=self.vergence_per_m,
            shims_um=self.fitting.shims_um(self.fitting.lens),
            glass=self.fitting.glass,
        )

    def magnification(self) -> float | None:
        """Target over wall, true; None without a lens or a wall."""
        optic = self.optic()
        return None if optic is None or optic.magnification == 0 else optic.magnification

    def truth(self, lp_mm: float = 40.0) -> dict[str, Any]:
        """Everything hidden: quantities with record, u, shape and true value; the state now; `focus_error_um`.

        `focus_error_um` is the depth of the noise-free peak of the modulation at `lp_mm` less the true (traced)
        paraxial shift of the plates and of the target's cover, the conjugate of the true wall or collimator with the
        ring where its engraving says, and the mount's nominal flange depth; None without a lens. With a reticle the
        peak is that of parallel light, with autocollimation that of both passes, a flat mirror and no pickup.
        """
        return truth.tell(self, lp_mm)


def load_world(path: Path | str, seed: int, pace: float, time: Callable[[], float]) -> World:
    """A world from its file (or the name of one that ships); raises `WorldFileError`."""
    world = World(read_world(path), seed, pace, time)
    if world.fitting.lens is not None:
        try:
            world.must_image(world.fitting.lens)
        except HandRefused as refused:
            raise WorldFileError([f"{find_world(path)}: fitted.lens: {refused}"]) from refused
    return world
