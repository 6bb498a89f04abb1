"""Which question's answer stands at a place of the file, so that a problem leads back to it."""

from __future__ import annotations

from collections.abc import Mapping

PLACES: Mapping[str, str] = {
    "bench": "bench", "arrangement": "arrangement", "time_zone": "time_zone", "seat": "seat",
    "arrangement.u_vergence_per_m": "u_vergence_per_m",
    "links.carriage_line.port": "carriage_port", "links.carriage_line.baud": "carriage_baud",
    "links.scale_line.port": "scale_port", "links.indicator_line.port": "indicator_port",
    "devices.scale.u_scale": "scale_u", "devices.dial.u_gain": "indicator_u_gain",
    "devices.lamp.pwm_hz": "pwm_hz", "devices.lamp.slots": "lamp_slot", "devices.dot.slots": "pointer_slot",
    "devices.dot.laser_class": "pointer_class", "devices.lamp.level": "lamp_register",
    "devices.dot.level": "pointer_register", "devices.camera.device": "camera_source",
    "devices.camera.by_id": "camera_source", "sensors.temperature.u_K": "thermometer_u_K",
    "sensors.range.u_mm": "rangefinder_u_mm", "sensors.range.offset_mm": "rangefinder_offset_mm",
    "sensors.level.most_arcmin": "tilt_most_arcmin", "detectors.meter.slit_um": "slit_um",
    "detectors.meter.u_slit_um": "u_slit_um", "arrangement.pickup": "pickup_um",
    "arrangement.mirror": "mirror_flatness_um",
    "motion.tolerance_um": "tolerance_um", "motion.settle_ms": "settle_ms", "motion.clearance_um": "clearance_um",
    "joint.u_um": "joint_u_um", "base.given.length_um": "base_mm", "base.given.u_um": "u_base_mm",
    "target.pitch_mm": "target_mm", "target.u_pitch_mm": "u_target_mm", "mounts": "mount", "shims_um": "shims_um",
}  # fmt: skip


def question_of(key: str) -> str | None:
    """The key of the question whose answer stands at a dotted key of the file, if one does."""
    place = key
    while place:
        if place in PLACES:
            return PLACES[place]
        place = place.rpartition(".")[0]
    section, _, rest = key.partition(".")
    if section != "devices":
        return None
    device, _, of = rest.partition(".")
    who = {"dial": "indicator", "dot": "pointer"}.get(device, device.removesuffix("_motor"))
    return of if device == "stage" else f"{who}_{of}"
