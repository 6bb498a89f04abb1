"""The questions about the bench as a whole, and about what its findings go by."""

from __future__ import annotations

import os
from pathlib import Path

from benchd.commissioning import parsing
from benchd.commissioning.parsing import NONE
from benchd.commissioning.question import Answers, Places, Question
from benchd.files.bounds import Within

BENCH, FIGURES = "The bench", "Lens seat, base and target"
ZONE_LINK = Path("/etc/localtime")
ALPHAS = {"steel": 11.5e-6, "aluminium": 23.0e-6, "brass": 19.0e-6, "iron": 10.5e-6, "granite": 6.5e-6}
"""Linear expansion in 1/K of what beds are made of; rounded (common practice, no source)."""


def local_zone() -> str:
    """The time zone of this machine, UTC where it does not say."""
    told = os.environ.get("TZ", "").lstrip(":")
    _, found, name = str(ZONE_LINK.resolve()).partition("zoneinfo/")
    return told if "/" in told and not told.startswith("/") else name if found else "UTC"


def _tolerance(answers: Answers) -> str:
    step_um = answers.get("resolution_um") or answers["carriage_per_count_um"]
    return f"{max(1.0, 2.0 * answers.get('scale_resolution_um', 0.0), step_um / 2.0):g}"


def _u_target(answers: Answers) -> str:
    return f"{min(0.02, 0.02 * answers['target_mm']):g}"


def _mirrored(answers: Answers) -> bool:
    return bool(answers["arrangement"] == "autocollimation")


BEGINNING: tuple[Question, ...] = (
    Question(BENCH, "bench", "Name of the bench, which stands in every message", parsing.name, "my-bench"),
    Question(
        BENCH,
        "arrangement",
        "What stands where: wall (target on the carriage, looked at on a wall), collimated (sensor on the carriage, a "
        "collimator before the lens) or autocollimation (source and detector on it, a mirror before the lens)",
        parsing.choice("wall", "collimated", "autocollimation"),
        "wall",
    ),
    Question(
        BENCH,
        "u_vergence_per_m",
        f"How far from parallel the collimator's light may be, standard uncertainty in 1/m; {NONE} where "
        "nobody knows: findings are relative then",
        parsing.or_none(parsing.number(Within(1e-6, 0.1, "1/m"))),
        NONE,
        lambda answers: answers["arrangement"] == "collimated",
    ),
    *(
        Question(BENCH, key, text, parsing.length(unit, Within(low, most, unit)), default, _mirrored)
        for key, text, unit, low, most, default in (
            (
                "pickup_um",
                "How much deeper than the source the detector lies, in µm; 0 with one slit",
                "um",
                -5e3,
                5e3,
                "0",
            ),
            ("u_pickup_um", "How well that is known, standard uncertainty in µm", "um", 0.01, 500.0, "2"),
            ("mirror_flatness_um", "How far from plane the mirror is, peak to valley, in µm", "um", 1e-4, 50.0, None),
            ("mirror_over_mm", "Over how many mm of its face", "mm", 1.0, 1e3, None),
        )
    ),
    Question(
        BENCH, "time_zone", "Time zone, for pages; files and messages are in UTC", parsing.words, lambda _: local_zone()
    ),
)

BASIS: tuple[Question, ...] = (
    Question(
        FIGURES, "seat", "Name of the face of the bench on which an adapter, or the lens, rests", parsing.name, "rail"
    ),
    Question(FIGURES, "mount", "Name of the lens mount that the adapters offer", parsing.name, "mount-1"),
    Question(
        FIGURES,
        "flange_depth_mm",
        "Its flange depth by its standard, in mm",
        parsing.length("mm", Within(2.0, 500.0, "mm")),
    ),
    Question(
        FIGURES,
        "base_mm",
        "From that face of the bench to the target, the carriage at reading 0, by a rule, in mm; "
        "negative where the target stands before the face",
        parsing.length("mm", Within(-1e3, 1e3, "mm")),
    ),
    Question(
        FIGURES,
        "u_base_mm",
        "How well that is known, standard uncertainty in mm",
        parsing.length("mm", Within(1e-5, 20.0, "mm")),
        "0.5",
    ),
    Question(
        FIGURES,
        "base_of",
        f"What the bed between face and carriage is made of: {', '.join(ALPHAS)}",
        parsing.choice(*ALPHAS),
        "steel",
    ),
    Question(
        FIGURES,
        "target_mm",
        "Side of the dark square on the target, in mm",
        parsing.length("mm", Within(0.01, 200.0, "mm")),
    ),
    Question(
        FIGURES,
        "u_target_mm",
        "How well that is known, standard uncertainty in mm",
        parsing.length("mm", Within(1e-6, 20.0, "mm")),
        _u_target,
    ),
    Question(
        FIGURES,
        "joint_u_um",
        "By how much a lens comes to rest differently each time it is seated, standard uncertainty in µm",
        parsing.length("um", Within(0.005, 100.0, "um")),
        "3",
    ),
    Question(
        FIGURES,
        "clearance_um",
        "What is always kept free between the rear of the lens, glass and target, in µm",
        parsing.length("um", Within(50.0, 50e3, "um")),
        "3000",
    ),
    Question(
        FIGURES,
        "tolerance_um",
        "How near the carriage has to come to a place, in µm",
        parsing.length("um", Within(0.01, 100.0, "um")),
        _tolerance,
    ),
    Question(
        FIGURES,
        "settle_ms",
        "How long it settles before a reading, in ms",
        parsing.number(Within(1.0, 60e3, "ms")),
        "300",
    ),
    Question(
        FIGURES,
        "shims_um",
        f"Shims in stock, in µm, such as 10, 20, 50; {NONE} without",
        parsing.lengths("um", Within(1.0, 5000.0, "um")),
        NONE,
    ),
)

PLACES: Places = {
    "bench": ("bench", "store.url"),
    "arrangement": ("arrangement", "arrangement.kind"),
    "u_vergence_per_m": ("arrangement.u_vergence_per_m",),
    "pickup_um": ("arrangement.pickup", "arrangement.pickup.deeper_um"),
    "u_pickup_um": ("arrangement.pickup.u_um",),
    "mirror_flatness_um": ("arrangement.mirror", "arrangement.mirror.flatness_um"),
    "mirror_over_mm": ("arrangement.mirror.over_mm",),
    "time_zone": ("time_zone",),
    "seat": ("seat",),
    "mount": ("mounts", "mounts.*"),
    "flange_depth_mm": ("mounts.*.flange_depth_mm",),
    "base_mm": ("base", "base.given.length_um"),
    "u_base_mm": ("base.given.u_um",),
    "base_of": ("base.alpha_per_K",),
    "target_mm": ("target", "target.pitch_mm"),
    "u_target_mm": ("target.u_pitch_mm",),
    "joint_u_um": ("joint.u_um",),
    "clearance_um": ("motion.clearance_um",),
    "tolerance_um": ("motion.tolerance_um",),
    "settle_ms": ("motion.settle_ms",),
    "shims_um": ("shims_um",),
}
