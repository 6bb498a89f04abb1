"""The rule: every finding is of one state of the records, in force through its run, and no refused text ever was.

The judge hears everything that the daemon tells, in its order, and knows by the editor's journal (`edits_shelf`) what
the files held when. What is in force is what the daemon has told so, each change held against a text that stood there
whole. A finding's documents are worked out again from that one state, by the formulas and not by the daemon's code.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from edits_shelf import Doc, Key, Shelf, same

READ_LATE_S = 6.0
"""So long after it was read a change may be told: a slow disk, and the way of the message."""
SETTLED_S = 4.0
"""What has stood so long is in force where it may be: two looks of a second, and a slow disk."""
CAUGHT_UP_S = 1.0
"""As a run begins what had stood so long when it was asked for is in force."""
AT_REST_S = 1.0
"""After the end of a run the carriage is told at rest."""
TECHNICIAN = "technician"
OVER = ("done", "failed", "aborted", None)
FAR_UM = {"conjugate": 0.4, "carriage": 0.05, "offset of a reading": 0.05}
"""Plates stand in the way of light to the wall, which the formula for two planes leaves out; the scale grows."""


class Broken(Exception):
    """The rule does not hold; the message says where."""


class Judge:
    """`told` hears of every document of the daemon; `shelf` is the editor's journal."""

    def __init__(self, shelf: Shelf, now: Callable[[], float], readings: Callable[[str], Sequence[Any]]) -> None:
        self._shelf, self._now, self._readings = shelf, now, readings
        self.in_force: dict[Key, Doc] = shelf.state()
        self.counts: Counter[str] = Counter()
        self.asked: dict[tuple[str, Key], Doc] = {}
        """What somebody's verb, or a step of somebody's run, is setting just now."""
        self.problems: list[tuple[float, Sequence[Mapping[str, Any]]]] = []
        """What was told of files that are wrong, and when."""
        self._setups: dict[int, Doc] = {}
        self._setup: Doc = {}
        self._run: str | None = None
        self._state: str | None = None
        self._rests_since_s = 0.0
        self.run_asked_s = 0.0
        """When the run was asked for that begins next: what the files say then counts for it."""
        self._homed = False
        self._calibrations: list[str] | None = None
        self.broken: str | None = None

    def told(self, topic: str, doc: Any) -> None:
        """A document, in the order in which the daemon told it. What is broken is kept; the first counts."""
        if self.broken is not None or not doc:
            return
        try:
            self._told(topic, doc)
        except (Broken, LookupError) as broken:
            self.broken = f"At {self._now():.2f} s: {broken!r}"

    def _told(self, topic: str, doc: Any) -> None:
        if topic == "setup":
            self._setup = self._setups[doc["rev"]] = doc
        elif topic == "procedure":
            began, before, self._state = doc["run"] != self._run, self._state, doc["state"]
            self._run = doc["run"]
            if began and self._run is not None and self.run_asked_s - self._shelf.changed_s() > CAUGHT_UP_S:
                self._require_in_force()
            if self._state in OVER and before not in OVER:
                self._rests_since_s = self._now()
        elif topic == "device/carriage":
            self._carriage(doc)
        elif topic == "event" and doc["code"] == "records":
            self._changed(doc["data"]["changes"], doc["data"]["by"])
        elif topic == "event" and doc["severity"] == "warning":
            problems = [
                one for one in doc["data"].get("problems", ()) if isinstance(one, Mapping)
            ]  # others are of plans
            self.problems.append((self._now(), problems))
        elif topic == "finding/flange":
            self._judge(doc)

    @property
    def at_rest(self) -> bool:
        """Whether no run is under way."""
        return self._state in OVER

    def _carriage(self, doc: Doc) -> None:
        if self._homed and not doc["homed"]:
            raise Broken("the carriage is not homed any more")
        if doc["state"] == "moving" and self.at_rest and self._now() - self._rests_since_s > AT_REST_S:
            raise Broken("the carriage moves, and no run is under way")
        self._homed = self._homed or bool(doc["homed"])

    # ---- what comes into force

    def _changed(self, changes: Iterable[Mapping[str, Any]], by: str | None) -> None:
        for one in changes:
            key, how = (one["kind"], one["record_id"]), one["how"]
            if not self.at_rest and by is None and key in self._standing():
                raise Broken(f"{key[1]} was changed ({how}) under run {self._run}, which uses it")
            if not self.at_rest and by != TECHNICIAN and key in self._standing():
                raise Broken(f"{key[1]} was changed ({how}) by {by} under run {self._run}, which uses it")
            self.counts["changes in force"] += 1
            if how == "gone":
                self.in_force.pop(key)
            else:
                self.in_force[key] = self._text_of(key, one, by)
            if by == TECHNICIAN and (wrong := self._shelf.accept(self._shelf.path_of(key), self.asked[by, key])):
                raise Broken(wrong)

    def _text_of(self, key: Key, change: Mapping[str, Any], by: str | None) -> Doc:
        """The reading that a change is of. Raises Broken where no whole text says so."""
        before, now = self.in_force.get(key, {}), change["now"]
        versions = [one.doc for one in self._shelf.of(key, self._now() - READ_LATE_S)]
        if by is not None:
            values = self.asked.get((by, key), {})
            versions = [_with(doc, values) for doc in versions or [{key[0]: key[1]}]]
        for doc in versions:
            others = {name for name in {*doc, *before} if name not in now}
            as_told = all(same(doc.get(name), value) for name, value in now.items())
            if change["how"] == "new" or (as_told and all(_alike(doc.get(one), before.get(one)) for one in others)):
                return doc
        raise Broken(f"{change} is in force, and no file has said so that stood there whole")

    def _standing(self) -> set[Key]:
        setup = self._setup
        found = {("adapter", one) for one in setup.get("adapters", ())} | {("glass", one) for one in setup["glass"]}
        return found | ({("lens", str(setup["lens"]))} if setup.get("lens") else set())

    # ---- findings

    def _judge(self, finding: Doc) -> None:
        self.counts["findings judged"] += 1
        setup = self._setups[finding["setup"]]
        lens = self.in_force["lens", finding["lens"]]
        for what, found, expected in (
            *self._chain(setup, lens),
            *self._of_the_finding(finding, setup, lens),
            *self._of_its_readings(finding, setup),
        ):
            if not _near(found, expected, FAR_UM.get(what, 1e-6)):
                text = f"{finding['finding']} of {finding['run']}, set-up {finding['setup']}, lens {finding['lens']}"
                raise Broken(f"{text}: {what} is {found}, and by the records in force {expected}")
            self.counts["figures held"] += 1
        if self._calibrations not in (None, finding["calibrations"]):
            raise Broken(f"{finding['finding']} rests on {finding['calibrations']} and not on {self._calibrations}")
        self._calibrations = finding["calibrations"]

    def _chain(self, setup: Doc, lens: Doc) -> Iterable[tuple[str, Any, Any]]:
        terms = {one["term"]: one for one in setup["chain"]}
        warm_K = setup["temperature_C"] - 20.0
        for name in setup["adapters"]:
            adapter = self.in_force["adapter", name]
            length = adapter["given"]["length_um"]
            yield f"adapter {name}", terms[f"adapter {name}"]["value_um"], -length
            yield f"u of adapter {name}", terms[f"adapter {name}"]["u_um"], adapter["given"]["u_um"]
            grown = -adapter["material"]["alpha_per_K"] * length * warm_K
            yield f"thermal {name}", terms[f"thermal adapter {name}"]["value_um"], grown
        for name in setup["glass"]:
            layers = self.in_force["glass", name]["layers"]
            shift = sum(1000.0 * one["thickness_mm"] * (1.0 - 1.0 / one["index"]) for one in layers)
            yield f"glass {name}", terms[f"glass {name}"]["value_um"], shift
        if setup["m"] is None:
            yield "conjugate", terms["conjugate"]["value_um"], _conjugate_um(setup["distance_mm"], lens)
        depth = sum(
            one["value_um"] for name, one in terms.items() if name != "carriage" and one["value_um"] is not None
        )
        yield "carriage", terms["carriage"]["value_um"], depth

    def _of_the_finding(self, finding: Doc, setup: Doc, lens: Doc) -> Iterable[tuple[str, Any, Any]]:
        tolerance = lens.get("tolerance")
        limits = None if finding["verdict"] is None else [finding["verdict"]["low"], finding["verdict"]["high"]]
        half = None if tolerance is None else tolerance["flange_um"]
        yield "tolerance", limits, None if half is None else [-half, half]
        if finding["advice"] is not None and "fitted_um" in finding["advice"]:
            yield "shims fitted", list(finding["advice"]["fitted_um"]), list(lens.get("shims_fitted_um", ()))
        yield "f-number", finding["measurand"]["f_number"], setup["f_number"] or lens["f_number"]
        lines = {one["term"]: one["u"] for one in finding["budgets"]["focus_error"]}
        terms = {one["term"]: one["u_um"] for one in setup["chain"]}
        for name in ("conjugate", *(f"adapter {one}" for one in setup["adapters"])):
            yield f"u of {name} in the budget", lines[name], terms[name]
        designed = lens.get("designed_for_glass")
        other = any("while its record" in note for note in finding["notes"])
        yield "whether its glass is its own", not other, setup["glass"] == ([designed] if designed else [])

    def _of_its_readings(self, finding: Doc, setup: Doc) -> Iterable[tuple[str, Any, Any]]:
        """Counted from where nominal is by the same set-up, all of them."""
        first, last = finding["readings"]["indices"]
        nominal = next(one["value_um"] for one in setup["chain"] if one["term"] == "carriage") - setup["trim_um"]
        for row in self._readings(finding["run"]):
            if first <= row.idx <= last:
                yield "offset of a reading", row.offset_um, row.carriage_um - nominal

    # ---- at rest

    def settled(self) -> None:
        """Nothing was written for SETTLED_S. Raises Broken."""
        if self.at_rest and self._now() - self._rests_since_s > SETTLED_S:
            self._require_in_force()

    def _require_in_force(self) -> None:
        """What the files say is in force, where all of them can be. Raises Broken."""
        if self._shelf.bad():
            return
        says = self._shelf.state()
        if apart := [key for key in sorted({*self.in_force, *says}) if says.get(key) != self.in_force.get(key)]:
            told = {key: (says.get(key), self.in_force.get(key)) for key in apart}
            raise Broken(f"the files have stood for a while, and others than those are in force: {told}")
        self.counts["looks at what is in force"] += 1


def _with(doc: Doc, values: Doc) -> Doc:
    return {key: value for key, value in {**doc, **values}.items() if value is not None}


def _alike(one: Any, other: Any) -> bool:
    return bool(one == other) or same(one, other) or same(other, one)


def _near(found: Any, expected: Any, far: float) -> bool:
    if isinstance(found, list) and isinstance(expected, list):
        return len(found) == len(expected) and all(_near(*pair, far) for pair in zip(found, expected, strict=True))
    if isinstance(found, bool) or not (isinstance(found, int | float) and isinstance(expected, int | float)):
        return bool(found == expected)
    return abs(found - expected) <= far + 1e-9 * abs(expected)


def _conjugate_um(distance_mm: float, lens: Doc) -> float:
    """How far behind the focus a thin lens images a plane so far from the image: s + s' = D - gap, 1/s + 1/s' = 1/f."""
    f = float(lens["focal_length_mm"]["value"])
    length = distance_mm - float((lens.get("principal_gap_mm") or {"value": 0.0})["value"])
    image = 0.5 * (length - math.sqrt(length**2 - 4.0 * f * length))
    return 1000.0 * (image - f)
