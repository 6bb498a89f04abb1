"""Guards an arrangement of another package: exceptions and wrong answers of its code become a fault with its name.

A fault ends the request, never the daemon. A BenchdError passes unchanged. A method that does not return cannot be
ended; the methods are pure and have nothing to wait for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from copy import copy
from typing import TYPE_CHECKING, Any, TypeVar, cast

from benchd.arrangements.arrangement import Arrangement, Stands
from benchd.arrangements.places import Places
from benchd.errors import BenchdError
from benchd.metrology.chain_term import ChainTerm

if TYPE_CHECKING:
    from benchd.arrangements.conjugate import ConjugateTerm
    from benchd.arrangements.setup_document import SetupDocument
    from benchd.bench.datum.chain_terms import CalibrationInForce
    from benchd.files.artefacts import Lens
    from benchd.files.bench_file import BenchFile
    from benchd.files.loading import LoadedBench
    from benchd.files.problems import Problem

T = TypeVar("T")


class Fault:
    """Makes the faults of one arrangement, and checks its answers."""

    def __init__(self, name: str, package: str) -> None:
        self._who = f"The arrangement '{name}' of {package}"

    def make(self, why: str) -> BenchdError:
        return BenchdError("device_fault", f"{self._who} {why.rstrip('.')}.", advice="Its author has to see to it.")

    def checked_call(self, work: Callable[[], T]) -> T:
        """The result of `work`. Raises BenchdError (device_fault) for any exception that is not a BenchdError."""
        try:
            return work()
        except BenchdError:
            raise
        except Exception as error:
            raise self.make(f"failed: {type(error).__name__}: {error}") from error

    def number(self, call: str, answer: Any, *, infinite: bool = False) -> float:
        """The answer, if it is a number. Raises BenchdError."""
        good = isinstance(answer, int | float) and not isinstance(answer, bool)
        if not good or math.isnan(answer) or (math.isinf(answer) and not infinite):
            raise self.make(f"answered {call} with {answer!r:.60}")
        return float(answer)

    def of_kind(self, call: str, answer: Any, kind: type[Any] | tuple[type[Any], ...]) -> Any:
        """The answer, if it is of that type. Raises BenchdError."""
        if not isinstance(answer, kind):
            raise self.make(f"answered {call} with {answer!r:.60}")
        return answer

    def terms(self, call: str, answer: Any) -> tuple[ChainTerm, ...]:
        """The answer, if it is a sequence of valid chain terms. Raises BenchdError."""
        found = tuple(self.of_kind(call, term, ChainTerm) for term in self.of_kind(call, answer, (tuple, list)))
        for term in found:
            self.number(call, term.value_um)
            if self.number(call, term.u_um) < 0.0:
                raise self.make(f"answered {call} with u = {term.u_um:g}")
        return found


class GuardedPlaces(Places):
    """Any `Places`, with each answer checked."""

    def __init__(self, inside: Places, fault: Fault) -> None:
        self._inside, self._fault = inside, fault
        low, high = self.depth_um(0.0), self.depth_um(1000.0)
        if high < low:
            raise fault.make("has a depth that falls as the carriage grows")

    @property
    def found_by(self) -> str:  # type: ignore[override]
        return str(self._inside.found_by)

    def depth_um(self, carriage_um: float) -> float:
        return self._checked_number("depth_um", lambda: self._inside.depth_um(carriage_um))

    def offset_um(self, carriage_um: float) -> float | None:
        found = self._fault.checked_call(lambda: self._inside.offset_um(carriage_um))
        return None if found is None else self._fault.number("offset_um", found, infinite=True)

    def carriage_um(self, offset_um: float) -> float | None:
        found = self._fault.checked_call(lambda: self._inside.carriage_um(offset_um))
        return None if found is None else self._fault.number("carriage_um", found, infinite=True)

    def carriage_for_depth(self, depth_um: float) -> float:
        return self._checked_number("carriage_for_depth", lambda: self._inside.carriage_for_depth(depth_um))

    def lowest_um(self, depth_um: float) -> float:
        found = self._fault.checked_call(lambda: self._inside.lowest_um(depth_um))
        return self._fault.number("lowest_um", found, infinite=True)

    def slope(self, carriage_um: float) -> float:
        found = self._checked_number("slope", lambda: self._inside.slope(carriage_um))
        if found <= 0.0:
            raise self._fault.make(f"answered slope with {found:g}, where offset has to grow with the carriage")
        return found

    def zero_um(self, calibrated_at_um: float) -> float:
        return self._checked_number("zero_um", lambda: self._inside.zero_um(calibrated_at_um))

    def by_scale_um(self, carriage_um: float) -> float:
        return self._checked_number("by_scale_um", lambda: self._inside.by_scale_um(carriage_um))

    def reached(self, low_um: float, high_um: float) -> str:
        return str(self._fault.checked_call(lambda: self._inside.reached(low_um, high_um)))

    def lines(self, offset_um: float) -> tuple[ChainTerm, ...]:
        return self._fault.terms("lines", self._fault.checked_call(lambda: self._inside.lines(offset_um)))

    def _checked_number(self, call: str, work: Callable[[], Any]) -> float:
        return self._fault.number(call, self._fault.checked_call(work))


class GuardedArrangement(Arrangement):
    """Any arrangement, each call guarded. Its declared attributes are those of the inner one; see `guarded`."""

    def __init__(self, found: type[Arrangement], config: Any, fault: Fault) -> None:
        super().__init__(config)
        self._fault = fault
        self._inside = fault.checked_call(lambda: found(config))

    def with_calibrations(self, in_force: Mapping[str, CalibrationInForce]) -> Arrangement:
        inside = self._fault.checked_call(lambda: self._inside.with_calibrations(in_force))
        found = copy(self)
        found._inside = self._fault.of_kind("with_calibrations", inside, Arrangement)
        return found

    def conjugate(self, lens: Lens, setup: SetupDocument, file: BenchFile) -> ConjugateTerm:
        from benchd.arrangements.conjugate import ConjugateTerm as Kind

        found = self._fault.checked_call(lambda: self._inside.conjugate(lens, setup, file))
        self._fault.terms("conjugate", [self._fault.of_kind("conjugate", found, Kind).term])
        return found

    def advice(self) -> Mapping[str, str]:
        found = self._fault.checked_call(lambda: dict(self._inside.advice()))
        for key, how in found.items():
            self._fault.of_kind("advice", key, str)
            self._fault.of_kind("advice", how, str)
        return found

    def terms(self, lens: Lens) -> Sequence[ChainTerm]:
        return self._fault.terms("terms", self._fault.checked_call(lambda: self._inside.terms(lens)))

    def places(self, stands: Stands) -> Places:
        found = self._fault.checked_call(lambda: self._inside.places(stands))
        return GuardedPlaces(self._fault.of_kind("places", found, Places), self._fault)

    def problems(self, loaded: LoadedBench, travel_um: tuple[float, float]) -> list[Problem]:
        return list(self._fault.checked_call(lambda: self._inside.problems(loaded, travel_um)))

    def check_set_up(self, setup: SetupDocument, lens: Lens | None) -> None:
        self._fault.checked_call(lambda: self._inside.check_set_up(setup, lens))

    def spoilt(self, conjugate: ChainTerm, low_um: float, high_um: float) -> str | None:
        found = self._fault.checked_call(lambda: self._inside.spoilt(conjugate, low_um, high_um))
        return None if found is None else str(found)


def guarded(found: type[Arrangement], config: Any, declared: Sequence[str], package: str) -> Arrangement:
    """An arrangement of that class with a guard around each call. Raises BenchdError if it cannot be made."""
    own = {key: getattr(found, key) for key in ("name", *declared)}
    make = cast("type[GuardedArrangement]", type(f"Guarded{found.__name__}", (GuardedArrangement,), own))
    return make(found, config, Fault(found.name, package))
