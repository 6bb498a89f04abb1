"""The same thing measured by two ways, six times over: each gives the difference, its U, and what it ought to be.

A difference is uncertain by what its two sides do not share. Where benchd states it itself (a shim's proof, a plate's
shift, a gap), with its U, that is taken; elsewhere it comes of the budgets of both sides. What it ought to be is zero,
or read from the world after the fact. The bench has its base and `RING` calibrated, and marks on its wall.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from math import sqrt

from benchd.bench.datum.bounded_terms import tipping_u_um
from benchd.files.bench_file import BenchFile
from differences import Difference, as_stated, difference, expanded
from finding_bench import LENS, PANE, RING, Finding, FindingBench, truth_of
from technician import Bench, Technician

WALLS_MM = (4000.0, 6000.0)
HOME_MM = 5000.0
SHIM_UM = 50
IRIS = 2.0


@dataclass(frozen=True, slots=True)
class Compared:
    """A difference and what it ought to be, both in the unit of their pair, with the findings that it is of."""

    found: Difference
    expected: float
    findings: tuple[Finding, ...] = ()

    @property
    def off(self) -> Difference:
        """What is found beyond what was expected, with the same U."""
        return Difference(self.found.value - self.expected, self.found.u, self.found.U)


async def shim(at: FindingBench) -> Compared:
    """The change that a proof states of a shim more under the lens, which moves the focus by its true thickness."""
    client, hands = at.client, at.technician
    await at.find_at_wall(LENS, RING, PANE)
    hands.put_shim(SHIM_UM)
    try:
        state = await hands.run("shim_proof", lens=LENS, shims_um=[SHIM_UM, SHIM_UM])
        proof = await hands.finding("shim_proof", str(state["run"]))
        pieces = {name: one["true"] for name, one in at.truth()["quantities"].items() if "shim.stock." in name}
    finally:
        hands.take_shim(SHIM_UM)
        await client.command("record", beat=False, kind="lens", id=LENS, set={"shims_fitted_um": [SHIM_UM]})
        await at.lit()  # the procedure leaves it dark
    newest = max(pieces, key=lambda name: int(name.rpartition(".")[2]))
    return Compared(as_stated(proof, "change"), -pieces[newest], (proof,))


async def plate(at: FindingBench) -> Compared:
    """The shift by a plate put in and out, against that of the rays that the world traced through it."""
    finding, shift_um = await toggled(at.bench, at.technician, LENS, RING[0], PANE[0])
    await at.lit()
    return Compared(as_stated(finding, "shift"), shift_um, (finding,))


async def toggled(bench: Bench, technician: Technician, lens: str, ring: str, pane: str) -> tuple[Finding, float]:
    """The finding of a plate that was put out, in, in and out of a calibrated bench, and its true shift (um)."""
    technician.fit([ring], [], lens)
    tape = technician.measure("tape")
    wall = {"distance_mm": tape["distance_mm"], "m": tape["m"]}
    state = await technician.run("glass_toggle", lens=lens, adapters=[ring], glass=[pane], repeats=1, **wall)
    finding = await technician.finding("glass_toggle", str(state["run"]))
    bench.hand("set", "iris", finding["measurand"]["f_number"])
    out = truth_of(bench)["now"]["peak_depth_um"]
    bench.hand("fit", "glass", pane)
    behind = truth_of(bench)["now"]["peak_depth_um"]
    bench.hand("set", "iris", IRIS)
    return finding, behind - out


async def wall(at: FindingBench) -> Compared:
    """The focus error at a far wall less that at a near one, each by its tape: none."""
    found, parts = [], []
    for wall_mm in WALLS_MM:
        at.bench.hand("set", "wall_mm", wall_mm)
        found.append(await at.find_at_wall(LENS, RING, PANE))
        parts.append(_of_wall(found[-1], (await at.client.kept("setup"))["m"], at.file))
    at.bench.hand("set", "wall_mm", HOME_MM)
    near, far = parts
    own = [u for each in parts for u in each.own]
    both = [abs(far.shared.get(name, 0.0) - u) for name, u in near.shared.items()]
    return Compared(difference(found[0], found[1], {}, own=[*own, *both]), 0.0, tuple(found))


@dataclass(frozen=True, slots=True)
class OfWall:
    """What the conjugate term of one finding is uncertain by (um): its `own`, and what is the same at any wall."""

    own: tuple[float, ...]
    shared: Mapping[str, float]


def _of_wall(finding: Finding, m: Mapping[str, float], file: BenchFile) -> OfWall:
    """Tape and m are read anew at each wall. The lens is the same, and so is the target, whose pitch is in each m."""
    (line,) = [line for line in finding["budgets"]["focus_error"] if line["term"] == "conjugate"]
    shared = {part["name"]: part["u"] for part in line["parts"]}
    by_m, by_distance = shared.pop("m"), shared.pop("distance")
    pitch = _pitch_u_rel(file) * m["value"] / m["u"]
    return OfWall((by_m * sqrt(1.0 - pitch**2), by_distance), {**shared, "pitch": by_m * pitch})


async def marks(at: FindingBench) -> Compared:
    """m by marks less m by tape, in millionths of it; the pitch of the target is in both."""
    at.technician.fit(list(RING), list(PANE), LENS)
    tape = at.technician.measure("tape")
    stands = {"lens": LENS, "adapters": list(RING), "glass": list(PANE), "ring": "infinity", "trim_um": None}
    await at.client.command("setup", set={**stands, "distance_mm": tape["distance_mm"], "m": None})
    await at.client.do("nominal")
    by_marks, by_tape = (await at.client.command("magnification", beat=False))["m"], tape["m"]
    pitch = _pitch_u_rel(at.file)
    own = [sqrt((one["u"] / one["value"]) ** 2 - pitch**2) for one in (by_marks, by_tape)]
    u, U = expanded([(1e6 * one, None) for one in own])
    return Compared(Difference(1e6 * (by_marks["value"] / by_tape["value"] - 1.0), u, U), 0.0)


async def zero(at: FindingBench) -> Compared:
    """The focus error by the zero on the adapter's seat less that by base and adapter: none."""
    hands = at.technician
    hands.fit(list(RING), list(PANE), LENS)
    tape = hands.measure("tape")
    taped = {"distance_mm": tape["distance_mm"], "m": tape["m"]}  # once for both
    before = await at.find(LENS, RING, PANE, **taped)
    state = await hands.run("seat_zero", reference=hands.reference, adapters=list(RING))
    lengths = [await at.client.kept(f"finding/{name}") for name in ("bench_zero", "adapter_length")]
    lengths.append(await hands.finding("seat_zero", str(state["run"])))
    for pane in PANE:
        at.bench.hand("fit", "glass", pane)
    hands.seat(LENS)
    await at.client.command("setup", set={"lens": LENS, "glass": list(PANE), "ring": "infinity", **taped})
    after = await at.sweep()
    return Compared(_of_zeros(before, after, lengths, at.file), 0.0, (before, after, *lengths))


def _of_zeros(before: Finding, after: Finding, lengths: list[Finding], file: BenchFile) -> Difference:
    """What lengths were read by anew counts; ring, thermometer, scale and the side of the gauge's tip are in both.

    Base and adapter were read at three places of the carriage, the seat at one, and the scale tips by where that is.
    """
    anew = ("remounts", "gauge gain", "gauge resolution", "subdivision")
    beside = [line for finding in lengths for line in finding["budgets"]["length"] if line["term"].startswith(anew)]
    base_um, adapter_um, seat_um = (finding["values"]["carriage"]["value"] for finding in lengths)
    below_um = adapter_um + lengths[1]["values"]["length"]["value"]
    tipping_um = tipping_u_um(file, [(-1.0, base_um), (-1.0, adapter_um), (1.0, below_um), (1.0, seat_um)]) or 0.0
    return difference(before, after, {"joints": 1.0, "stand-off": 1.0}, own=[tipping_um], beside=beside)


async def two_walls(at: FindingBench) -> Compared:
    """The gap between the principal planes by two walls, against that which the world drew (mm)."""
    hands = at.technician
    hands.fit(list(RING), list(PANE), LENS)
    await at.client.command("setup", set={"adapters": list(RING), "glass": list(PANE)})
    state = await hands.run("two_walls", lens=LENS)
    finding = await hands.finding("two_walls", str(state["run"]))
    await at.lit()
    gap = as_stated(finding, "gap")
    in_mm = Difference(gap.value / 1000.0, gap.u / 1000.0, gap.U / 1000.0)
    return Compared(in_mm, at.truth()["quantities"][f"lens.{LENS}.principal_gap_mm"]["true"], (finding,))


@dataclass(frozen=True, slots=True)
class Pair:
    """What is compared, in which unit, and how."""

    what: str
    unit: str
    compare: Callable[[FindingBench], Awaitable[Compared]]


PAIRS = {
    "wall": Pair(f"wall at {WALLS_MM[1] / 1000:g} m less {WALLS_MM[0] / 1000:g} m", "µm", wall),
    "shim": Pair(f"a shim of {SHIM_UM} µm more", "µm", shim),
    "plate": Pair("plate in less out", "µm", plate),
    "marks": Pair("m by marks less m by tape", "10⁻⁶", marks),
    "zero": Pair("zero by seat less zero by base and adapter", "µm", zero),
    "two walls": Pair("gap by two walls", "mm", two_walls),
}
"""In an order in which each finds the bench as it needs it: with a zero on the seat the other route is not taken."""


def _pitch_u_rel(file: BenchFile) -> float:
    return file.target.u_pitch_mm / file.target.pitch_mm
