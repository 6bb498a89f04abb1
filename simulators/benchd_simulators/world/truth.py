"""The truth file: what no instrument of the bench can know."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd_simulators.world.world import World


def tell(world: World, lp_mm: float) -> dict[str, Any]:
    """Records and true values, the state now and the focus error of the lens on the bench; finite numbers only.

    `peak_depth_um` is where the picture would be sharpest as the bench images now, the reticle where it stands, or
    pickup and mirror as they are; the focus error goes by the peak of the lens's own.
    """
    optic, lens, fitting = world.optic(), world.lens_alone(), world.fitting
    now: dict[str, Any] = {
        "carriage_um": world.carriage_um,
        "depth_um": world.depth_um(),
        "temperature_C": world.room.true_temperature_C,
        "distance_mm": None if world.arrangement.no_wall else world.room.true_distance_mm,
        "joints_um": list(fitting.joints),
        "lamp_level": world.lamp.level,
        "stand_offs_um": list(fitting.stand_offs),
        "sag_um": fitting.sag_um(),
    }
    if world.tube is not None:
        now["vergence_per_m"] = world.vergence_per_m
    answer: dict[str, Any] = {
        "world": world.record.world,
        "seed": world.seed,
        "setup": world.standing(),
        "now": now,
        "focus_error_um": None,
    }
    if optic is not None and lens is not None and fitting.lens is not None:
        peak, ideal = optic.peak_um(lp_mm), world.arrangement.ideal(lens)
        ideal_peak = peak if ideal == optic else ideal.peak_um(lp_mm)
        flange = world.record.mounts[world.record.lenses[fitting.lens].mount].flange_depth_um
        now |= {
            "peak_depth_um": peak,
            "glass_um": optic.glass_um,
            "cover_um": optic.cover_um,
            "conjugate_um": optic.conjugate_um,
        }
        now |= {"magnification": optic.magnification or None, "f_number": optic.f_number, "lp_mm": lp_mm}
        now |= world.arrangement.tell(
            lens,
            carriage_um=now["carriage_um"],
            depth_um=now["depth_um"],
            peak_um=peak,
            ideal_um=ideal_peak,
        )
        beyond_um = optic.glass_um + optic.cover_um + optic.conjugate_um + flange
        if world.has_photodiode:
            now["slit_peak_depth_um"] = world.photodiode.peak_um(optic)
            answer["slit_focus_error_um"] = world.photodiode.peak_um(ideal) - beyond_um
        answer["focus_error_um"] = ideal_peak - beyond_um
    answer["quantities"] = world.draws.table()
    return answer
