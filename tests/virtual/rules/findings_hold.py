"""An absolute finding's interval holds the world's truth, as far as nobody lied to the bench."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.virtual.schedule import Step, misleads
from tests.virtual.witness import Watched

FAR = 2.0
"""Times U, about four standard uncertainties: one finding in ten thousand may be as far off by chance."""


class FindingsHold(Watched):
    """`truth` gives the focus error (um) of the lens on the bench by the merit's frequency, None where none stands.

    An answer by somebody who did nothing at the bench spoils what comes of it, calibrations included, and so does a
    hand that changes what stands there while readings are taken.
    """

    def __init__(self, truth: Callable[[float], float | None]) -> None:
        self._truth = truth
        self._spoiled = False
        self._first_reading: dict[str, float] = {}
        self._handled_s = 0.0

    def handled(self) -> None:
        self._handled_s = self.now()

    def done(self, step: Step) -> None:
        if misleads(step):
            self._spoiled = True

    def told(self, topic: str, document: Any) -> None:
        if topic == "reading" and document:
            self._first_reading.setdefault(document["run"], self.now())
        if topic != "finding/flange" or not document or not document["absolute"] or self._spoiled:
            return
        if self._handled_s > self._first_reading.get(document["run"], 0.0):
            return
        truth = self._truth(document["measurand"]["lp_mm"])
        error = document["values"]["focus_error"]
        if truth is not None and error["U"] and abs(error["value"] - truth) > FAR * error["U"]:
            self.fail(f"{document['finding']} says {error['value']:.1f} ± {error['U']:.1f} um; true is {truth:.1f} um")
