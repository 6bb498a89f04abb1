"""The records of a stratum's bench: the world's own, with the stratum's lens, doubts, cover and light in them."""

from __future__ import annotations

from functools import lru_cache
from math import sqrt
from typing import Any

import numpy as np

from benchd.arrangements.registry import arrangement
from benchd_simulators.world.reading import read_world
from benchd_simulators.world.schema import FittedRecord, GapRecord, LayerRecord, Quantity, WorldRecord
from benchd_simulators.world.transfer import through_focus
from study_strata import Stratum

LENS, ADAPTER, GLASS = "L-0417", "ring-07", "pane-25"
RINGS = {True: "collar-32", False: "collar-45"}
"""The setting ring of a bench whose sensor stands fixed, and of others."""
LP_MM = 40.0
LIGHT_NM = 546.0
WAVELENGTH_UM = 0.546074  # the e line
RENDERED_PIXEL_UM = 5.0  # a little coarser than the workshop's, so that thousands of pictures fit into the hour
WORST_PERIOD = 0.8
"""Of the curve's half-width: the period of a scale's error that a quintic passes on most. Where the bench file does not
state the period, what is stated has to hold for this one."""
COVER = LayerRecord(
    thickness_mm=Quantity(record=1.1, u=0.003, shape="rectangular"),
    index=Quantity(record=1.523, u=0.001, shape="rectangular"),
)
AIR_BEHIND = GapRecord(air_gap_mm=Quantity(record=0.5, u=0.004, shape="rectangular"))


@lru_cache(maxsize=32)
def world_of(stratum: Stratum) -> WorldRecord:
    """The world's records with the stratum's lens in them, nothing fitted."""
    record = read_world(stratum.folder)
    within = max(0.2 * stratum.w040_waves, 0.1)
    new: dict[str, object] = {
        "f_number": stratum.f_number,
        "w040_waves": Quantity(record=stratum.w040_waves, u=within / sqrt(3.0), shape="rectangular"),
        "w060_waves": Quantity(record=0.0, u=0.1 / sqrt(3.0), shape="rectangular"),
    }
    drawn = record.lenses[LENS].flange_error_um
    far_u = drawn.u if stratum.far_um is None else stratum.far_um / sqrt(3.0)
    new["flange_error_um"] = Quantity(record=drawn.record + stratum.off_um, u=far_u, shape="rectangular")
    lens = record.lenses[LENS].model_copy(update=new)
    changes = {"lenses": {**record.lenses, LENS: lens}, "fitted": FittedRecord(), **_doubted(record, stratum)}
    if not stratum.period_stated:
        worst_um = WORST_PERIOD * _half_width_um(stratum)
        changes["encoder"] = changes["encoder"].model_copy(update={"period_um": worst_um})
    if stratum.uneven is not None:
        changes["uneven"] = stratum.uneven
    if stratum.rendered:
        pixel = Quantity(record=RENDERED_PIXEL_UM, u=0.03, shape="rectangular")
        changes["camera"] = record.camera.model_copy(update={"pixel_um": pixel})
    if stratum.covered:
        cover = [COVER, AIR_BEHIND] if stratum.air_behind else [COVER]
        changes["target"] = record.target.model_copy(update={"cover": cover})
    return record.model_copy(update=changes)


def _half_width_um(stratum: Stratum) -> float:
    """Half of the way in offset between the two places where the mean lens's curve is half as high as its peak."""
    per_wave = 8.0 * WAVELENGTH_UM * stratum.f_number**2  # of defocus, W20
    w20 = np.linspace(-6.0, 6.0, 2401)
    curve = through_focus(LP_MM / 1000.0 * WAVELENGTH_UM * stratum.f_number, [stratum.w040_waves, 0.0], w20)
    above = w20[curve >= 0.5 * curve.max()]
    width = arrangement(stratum.arrangement).curve_width
    return float(0.5 * (above[-1] - above[0]) * per_wave) * width


def _doubted(record: WorldRecord, stratum: Stratum) -> dict[str, Any]:
    """The parts of the world that are drawn by a stratum's own uncertainties."""

    def by(quantity: Quantity, u: float | None) -> Quantity:
        return quantity if u is None else quantity.model_copy(update={"u": u})

    doubts, name = stratum.doubts, RINGS[stratum.fixed]
    room, gauge, ring, pane = record.room, record.indicator, record.references[name], record.glasses[GLASS]
    (layer,) = pane.layers
    assert isinstance(layer, LayerRecord)
    layer = layer.model_copy(
        update={
            "thickness_mm": by(layer.thickness_mm, doubts.plate_mm),
            "index": by(layer.index, doubts.plate_index),
        }
    )
    of_room = {"temperature_C": by(room.temperature_C, doubts.thermometer_K)}
    if room.vergence_per_m is not None:
        of_room["vergence_per_m"] = by(room.vergence_per_m, doubts.vergence_per_m)
    of_gauge: dict[str, Any] = {"gain": by(gauge.gain, doubts.gain)}
    if doubts.hysteresis_um is not None:
        of_gauge["hysteresis_um"] = doubts.hysteresis_um
    assert record.encoder is not None
    changes: dict[str, Any] = {
        "room": room.model_copy(update=of_room),
        "indicator": gauge.model_copy(update=of_gauge),
        "glasses": {**record.glasses, GLASS: pane.model_copy(update={"layers": [layer]})},
        "references": {
            **record.references,
            name: ring.model_copy(update={"length_um": by(ring.length_um, doubts.ring_um)}),
        },
        "encoder": record.encoder.model_copy(update={"scale": by(record.encoder.scale, doubts.scale)}),
        "joint": record.joint.model_copy(update={} if doubts.joint_um is None else {"u": doubts.joint_um}),
    }
    return changes | _bounded(record, changes, doubts.bounds)


def _bounded(record: WorldRecord, changes: dict[str, Any], times: float) -> dict[str, Any]:
    """What tips, gives way and stands off, so many times as much as it ships."""

    def more(quantity: Quantity) -> Quantity:
        return quantity.model_copy(update={"record": times * quantity.record, "u": times * quantity.u})

    assert record.encoder is not None
    ring, abbe, sag, joint = record.adapters[ADAPTER], record.encoder.abbe, record.base.sag_um_per_N, changes["joint"]
    assert ring.wedge_um is not None
    assert abbe is not None
    assert sag is not None
    tips = {"pitch_arcmin": times * abbe.pitch_arcmin, "yaw_arcmin": times * abbe.yaw_arcmin}
    return {
        "encoder": changes["encoder"].model_copy(update={"abbe": abbe.model_copy(update=tips)}),
        "joint": joint.model_copy(update={"stand_off_um": times * joint.stand_off_um}),
        "base": record.base.model_copy(update={"sag_um_per_N": more(sag)}),
        "adapters": {ADAPTER: ring.model_copy(update={"wedge_um": more(ring.wedge_um)})},
    }
