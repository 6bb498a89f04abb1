"""An absolute finding's interval holds the world's truth, as far as the bench was told the truth and shown it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from tests.virtual.witness import Watched

FAR = 2.0
"""Times U, about four standard uncertainties: one finding in ten thousand may be as far off by chance."""
SHARE = 0.05
"""Of intervals of 95 % may miss."""
UNLIKELY = 1e-4
FLAGGED = (
    "Readings scatter",
    "The curve",
    "Best focus lies off",
    "Successive readings",
    "A wider part",
    "While a sweep",
)
"""How the notes begin that say of a finding that its interval may not hold."""
TOUCHES = {
    "on_base": "base", "set_on_base": "base", "on_adapter": "adapter", "on_seat": "adapter", "set_on_seat": "adapter"
}  # fmt: skip
"""Where the indicator stands for a reading of that name; on the run's reference for those `ON_RING`, `moved` where it
stood."""
ON_RING = ("on_ring", "let_down_on_ring")


def misses_too_often(missed: int, judged: int) -> bool:
    """Whether so many misses would be met in one of ten thousand soaks where each finding misses in 5 % of all cases.

    The upper tail of the binomial distribution, by its terms' logarithms.
    """
    terms = (
        math.exp(
            math.lgamma(judged + 1) - math.lgamma(k + 1) - math.lgamma(judged - k + 1)
            + k * math.log(SHARE) + (judged - k) * math.log1p(-SHARE)
        )
        for k in range(missed, judged + 1)
    )  # fmt: skip
    return missed > 0 and math.fsum(terms) < UNLIKELY


class FindingsHold(Watched):
    """Counts 'findings judged' and 'findings missed', and fails for one that is far beyond its interval.

    `truth` gives the focus error (um) of the lens on the bench by the merit's frequency, None where none stands;
    `standing` what a person sees there; `scale_off_um` what faults have added to the scale, None where it shows nothing
    true. A finding is judged where the set-up that was told was the one that stood at each of its readings, and where
    that holds of the calibrations it rests on; a scale that counts otherwise than then is no excuse, unless the daemon
    was started anew in between, which forgets how it counted.
    """

    def __init__(
        self,
        truth: Callable[[float], float | None],
        standing: Callable[[], Mapping[str, Any]],
        scale_off_um: Callable[[], float | None],
    ) -> None:
        self._truth, self._standing, self._scale_off_um = truth, standing, scale_off_um
        self._setup: Mapping[str, Any] = {}
        self._inputs: dict[str, Mapping[str, Any]] = {}
        self._asked: dict[str, Mapping[str, Any]] = {}
        self._off_um: dict[str, float | None] = {}
        """By run: what faults had added to the scale at its readings; None where they cannot be believed."""
        self._runs: dict[str, str] = {}
        self._calibrations: dict[str, tuple[int, float | None]] = {}
        self._starts = 0

    def daemon(self, up: bool) -> None:
        self._starts += up

    def asked(self, user: str, verb: str, request: dict[str, Any], retained: bool) -> None:
        args = request.get("args")
        if verb == "run" and isinstance(args, dict) and isinstance(args.get("inputs"), dict):
            self._asked[str(request.get("id"))] = args["inputs"]

    def told(self, topic: str, document: Any) -> None:
        if not document:
            return
        if topic == "setup":
            self._setup = document
        elif topic.startswith("reply/") and document["ok"] and "run" in document["result"]:
            self._inputs[document["result"]["run"]] = self._asked.get(document["id"], {})
        elif topic == "reading":
            self._read(document)
        elif topic == "event" and document["code"] == "calibrated":
            run = self._runs.get(document["data"]["finding"], "")
            self._calibrations[document["data"]["calibration"]] = self._starts, self._off_um.get(run)
        elif topic.startswith("finding/") and document["finding"] not in self._runs:  # else it is told again
            self._runs[document["finding"]] = document["run"]
            if topic == "finding/flange" and document["absolute"]:
                self._judge(document)

    def _read(self, reading: Mapping[str, Any]) -> None:
        run, off_um = reading["run"], self._scale_off_um()
        believed = off_um is not None and (self._touches(reading) if reading["device"] == "indicator" else self._fits())
        if not believed or self._off_um.setdefault(run, off_um) != off_um:
            self._off_um[run] = None

    def _fits(self) -> bool:
        stands, said = self._standing(), self._setup
        same = all(stands[key] == said.get(key) for key in ("lens", "adapters", "glass"))
        return bool(same and not stands["filters"] and said.get("ring") in (None, stands["ring"]))

    def _touches(self, reading: Mapping[str, Any]) -> bool:
        stands, given = self._standing(), self._inputs.get(reading["run"], {})
        ring = given.get("reference")
        channel = reading["channel"]
        if channel == "on_adapter" and stands["adapters"] != [given.get("adapter")]:
            return False
        return bool(stands["indicator"] == (ring if channel in ON_RING else TOUCHES.get(channel, stands["indicator"])))

    def _judge(self, finding: Mapping[str, Any]) -> None:
        off_um = self._off_um.get(finding["run"])
        rests_on = [self._calibrations.get(name, (0, None)) for name in finding["calibrations"]]
        sound = all(off is not None and (off == off_um or starts == self._starts) for starts, off in rests_on)
        truth = self._truth(finding["measurand"]["lp_mm"])
        error = finding["values"]["focus_error"]
        if off_um is None or not sound or truth is None or not error["U"]:
            return
        if any(note.startswith(FLAGGED) for note in finding["notes"]):
            return
        off = abs(error["value"] - truth)
        self.count("findings judged")
        if off > error["U"]:
            self.count("findings missed")
        if off > FAR * error["U"]:
            self.fail(f"{finding['finding']} says {error['value']:.1f} ± {error['U']:.1f} um; true is {truth:.1f} um")
