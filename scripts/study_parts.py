"""What each line of a case's budget did: the stated value of each part less the true one, as it enters the error."""

from __future__ import annotations

from benchd.arrangements.collimator_reticle import AtReticle
from benchd.bench.datum.chain import Chain
from benchd.bench.datum.routes import seat_artefact
from benchd.files.artefacts import full_thickness_mm
from benchd.metrology.peak import PeakFit
from benchd_simulators.world.arrangements.collimator_reticle import CollimatorReticle
from benchd_simulators.world.lens import E_LINE_NM
from study_bench import CaseBench
from study_records import ADAPTER, GLASS
from study_world import CaseWorld, Truth


def parts_of(bench: CaseBench, chain: Chain, truth: Truth, fit: PeakFit) -> dict[str, float]:
    """By the names of the lines."""
    world, record = bench.world, bench.world.record
    value = {term.term: term.value_um for term in chain.terms}
    stated_um = chain.places.offset_um(world.smooth_reading_um(truth.place_um)) or 0.0
    parts = {
        "sweep": fit.peak_um - stated_um,
        "joints": -sum(world.fitting.joints) + bench.in_seat.joints,
        "stand-off": -value["stand-off"] - sum(world.fitting.stand_offs) + bench.in_seat.stand_offs,
        "wedge": -_wedge(world) + bench.in_seat.wedge,
        "sag": -value["sag"] - world.fitting.sag_um(),
        "conjugate": -(value["conjugate"] - truth.conjugate_um),
    }
    if world.stratum.seat:
        parts |= _on_seat(bench, chain, truth, value)
    else:
        parts["stand-off"] += _in_adapter(world)
        parts |= _standing(bench, chain, truth, value) if world.stratum.fixed else _carried(bench, chain, truth, value)
    if world.fitting.glass:
        parts["glass"] = -(value[f"glass {GLASS}"] - truth.glass_um)
    if record.target.cover:
        # The base was found through it, so that what its thickness is off by is in the base as well.
        thicker_um = _cover_um(bench) - sum(layer.thickness_um for layer in world.lens.cover(E_LINE_NM))
        parts["base"] -= thicker_um
        parts["target_cover"] = thicker_um - (value["target_cover"] - truth.cover_um)
    if record.pickup_um is not None:
        half = 0.5 * world.draws.quantity("pickup_um", *record.pickup_um.parts)
        parts["pickup"] = -value["pickup"] - half
        parts["mirror"] = truth.seen_um - truth.peak_um + half
    return parts


def _cover_um(bench: CaseBench) -> float:
    """Thickness of the target's cover, air in it included, as the bench file has it."""
    return 1000.0 * full_thickness_mm(bench.files.file.target.cover)


def _in_adapter(world: CaseWorld) -> float:
    """Half of what may stand off is in the adapter's calibrated length, on which its joint stood each time."""
    return 0.5 * world.record.joint.stand_off_um


def _wedge(world: CaseWorld) -> float:
    fitting = world.fitting
    return fitting.gives_um() - sum(fitting.joints) - sum(fitting.stand_offs) - fitting.sag_um()


def _carried(bench: CaseBench, chain: Chain, truth: Truth, value: dict[str, float]) -> dict[str, float]:
    """Of a target on the carriage.

    The base's calibration holds where the carriage stood for it: what the scale is off there is part of the length
    found and cancels there, so the position counts from that place. What it did to the adapter's length counts with the
    position, as one scale serves both, and so do one carriage and one gauge; what its sub-divisional error does to the
    sweep counts with the sweep.
    """
    world, places = bench.world, chain.places
    found_at = bench.in_force[bench.files.file.base.calibration].carriage_um or 0.0
    off_there = world.scale_off_um(found_at)
    place, smooth, zero = truth.place_um, world.smooth_reading_um(truth.place_um), world.smooth_reading_um(0.0)
    base, adapter = _true_lengths(world)
    told = -value["thermal base"] - value[f"thermal adapter {ADAPTER}"]
    told += places.depth_um(smooth) - places.depth_um(0.0) - smooth
    scale = place * world.encoder.alpha_per_K * world.delta_K
    ahead = world.encoder.tilt.ahead_um
    tipped = ahead(place) - ahead(found_at)
    on_adapter = bench.in_force[ADAPTER].carriage_um or 0.0
    tipped_between = ahead(on_adapter + adapter) - ahead(on_adapter)
    base_side, seat_side = (world.indicator.side_um(where) for where in ("base", "adapter"))
    gain = [world.gain_off * bench.apart_um[artefact] for artefact in (bench.files.file.base.calibration, ADAPTER)]
    by_scale = world.scale_share * adapter  # the carriage went that far to measure it
    return {
        "base": -value["base"] - base + zero + off_there - gain[0],
        "adapter": -value[f"adapter {ADAPTER}"]
        - adapter
        - (_in_adapter(world) + by_scale + tipped_between + seat_side - base_side + gain[1]),
        "gauge hysteresis": seat_side - base_side,
        "gauge gain": sum(gain),
        "abbe": tipped + tipped_between,
        "thermal": told - _grown(world, base, adapter) - scale,
        "position": smooth - zero - place + scale - off_there - tipped + by_scale,
    }


def _on_seat(bench: CaseBench, chain: Chain, truth: Truth, value: dict[str, float]) -> dict[str, float]:
    """Of a target on the carriage, its zero found on the adapter's seat: as of a base, with nothing measured beside."""
    world, places, artefact = bench.world, chain.places, seat_artefact(bench.files.file, [ADAPTER])
    found_at = bench.in_force[artefact].carriage_um or 0.0
    off_there = world.scale_off_um(found_at)
    place, smooth, zero = truth.place_um, world.smooth_reading_um(truth.place_um), world.smooth_reading_um(0.0)
    base, adapter = _true_lengths(world)
    told = -value["thermal base"] - value[f"thermal adapter {ADAPTER}"]
    told += places.depth_um(smooth) - places.depth_um(0.0) - smooth
    scale = place * world.encoder.alpha_per_K * world.delta_K
    tipped = world.encoder.tilt.ahead_um(place) - world.encoder.tilt.ahead_um(found_at)
    gain = world.gain_off * bench.apart_um[artefact]
    stood = bench.in_seat.joints + bench.in_seat.stand_offs + bench.in_seat.wedge
    return {
        "seat": -value[f"seat {ADAPTER}"] - base - adapter - stood + zero + off_there - gain,
        "gauge gain": gain,
        "abbe": tipped,
        "thermal": told - _grown(world, base, adapter) - scale,
        "position": smooth - zero - place + scale - off_there - tipped,
    }


def _standing(bench: CaseBench, chain: Chain, truth: Truth, value: dict[str, float]) -> dict[str, float]:
    """Of a sensor that stands fixed, and a reticle on the carriage: places count from where the light is parallel."""
    world, places, arrangement = bench.world, chain.places, bench.world.arrangement
    assert isinstance(arrangement, CollimatorReticle)
    assert isinstance(places, AtReticle)
    parallel, place = arrangement.parallel_at_um, truth.place_um
    told, stood = world.smooth_reading_um(place), world.smooth_reading_um(parallel)
    slope = places.slope(told)
    base, adapter = _true_lengths(world)
    grown_by = world.encoder.alpha_per_K * world.delta_K * (place - parallel)
    tipped = world.encoder.tilt.ahead_um(place) - world.encoder.tilt.ahead_um(parallel)
    zero = slope * (stood - places.parallel_at_um)
    position = slope * (told - stood - (place - parallel) + grown_by - tipped)
    by_warmth = slope * ((told - places.parallel_at_um) * places.scale_growth - grown_by)
    stated = (places.offset_um(told) or 0.0) - (places.delta_um or 0.0)
    true = truth.seen_um - world.depth_um(place)
    scale = stated - true - zero - position - slope * tipped - by_warmth
    return {
        "base": -value["base"] - base,
        "adapter": -value[f"adapter {ADAPTER}"] - adapter - _in_adapter(world),
        "thermal": by_warmth
        - value["thermal base"]
        - value[f"thermal adapter {ADAPTER}"]
        - _grown(world, base, adapter),
        "position": position,
        "abbe": slope * tipped,
        "reticle zero": zero,
        "reticle scale": scale,
    }


def _true_lengths(world: CaseWorld) -> tuple[float, float]:
    """Of base and adapter, at the reference temperature."""
    fitting, record = world.fitting, world.record
    base = fitting.true("base.depth_um", record.base.depth_um)
    return base, fitting.true(f"adapter.{ADAPTER}.length_um", record.adapters[ADAPTER].length_um)


def _grown(world: CaseWorld, base: float, adapter: float) -> float:
    """What both have grown since."""
    return world.fitting.base_um(world.delta_K) - base + world.fitting.adapters_um(world.delta_K) - adapter
