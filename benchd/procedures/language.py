"""A procedure as its file states it: title, needs, inputs, steps, and the steps that always run at the end."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import Field

from benchd.bench.sweep.sweep_data import SweepOrder
from benchd.errors import Refused
from benchd.files.bench_file import Role
from benchd.files.names import Identifier, Name, Record, RecordId
from benchd.files.source import Source, check, load_yaml
from benchd.procedures.inputs import Input
from benchd.procedures.progress import Expected
from benchd.procedures.steps import Place, Step, Steps, walk
from benchd.questions.registry import of_a_sweep
from benchd.verbs.view import BenchView


class Needs(Record):
    """What the bench must have, or the run is refused before anything moves: roles, calibrations in force."""

    roles: tuple[Role, ...] = ()
    calibrations: tuple[RecordId, ...] = ()


class Procedure(Record):
    """One procedure. `finally_` always runs, however the steps ended."""

    procedure: Name
    title: Annotated[str, Field(min_length=1, max_length=100)]
    needs: Needs = Needs()
    inputs: dict[Identifier, Input] = Field(default_factory=dict)
    steps: Annotated[Steps, Field(min_length=1)]
    finally_: Steps = Field(default=(), alias="finally")

    @classmethod
    def from_doc(cls, doc: Mapping[str, Any]) -> Self:
        """A procedure from plain data, as a file would hold it. Raises pydantic's ValidationError."""
        return cls.model_validate_json(json.dumps(doc))

    def walk(self) -> Iterator[tuple[Place, Step]]:
        """Every step with its place in the file, those of `finally` last."""
        yield from walk(self.steps, ("steps",))
        yield from walk(self.finally_, ("finally",))

    def describe(self) -> dict[str, Any]:
        """What a client needs to run it: title, needs, inputs with type, range and default."""
        inputs = {
            name: wanted.model_dump(mode="json", exclude_unset=True, exclude_none=wanted.required)
            for name, wanted in self.inputs.items()
        }
        return {"title": self.title, "needs": self.needs.model_dump(mode="json"), "inputs": inputs}


@dataclass(frozen=True, slots=True)
class ProcedureFile:
    """A procedure with the file it came from; `text_sha` (SHA-256 of the text) goes into the record of a run."""

    procedure: Procedure
    source: Source
    text_sha: str


def read_procedure(path: Path) -> ProcedureFile:
    """Read one file; `check` finds the problems between steps. Raises FileProblems."""
    source = load_yaml(path)
    procedure = check(source, Procedure)
    return ProcedureFile(procedure, source, hashlib.sha256(path.read_bytes()).hexdigest())


def require_needs(procedure: Procedure, bench: BenchView) -> None:
    """Raises Refused where the bench lacks what the procedure needs: `uncalibrated`, or `bad_request` for a role."""
    missing = [role for role in procedure.needs.roles if role not in bench.devices]
    if missing:
        text = f"The procedure {procedure.procedure} needs {', '.join(missing)}, which this bench does not have."
        raise Refused(
            "bad_request", text, advice="Give the role to a device in the bench file.", data={"roles": missing}
        )
    lacking = [name for name in procedure.needs.calibrations if name not in bench.calibrations]
    if lacking:
        text = f"The procedure {procedure.procedure} needs a calibration in force of {', '.join(lacking)}."
        raise Refused("uncalibrated", text, advice="Calibrate it and accept the finding.", data={"artefacts": lacking})


SWEEP_EXPECTED: Expected = ([("sweep", 30.0)], [("assess", 1.0)])
"""Expected durations of the two steps of `sweep_procedure`."""


def sweep_procedure(order: SweepOrder) -> Procedure:
    """The procedure of the verb `sweep`: sweep, then assess. Raises Refused."""
    step = {"about": order.about, "merit": order.merit, "repeats": order.repeats, "mode": order.mode}
    left_to_bench = {key: getattr(order, key) for key in ("span_um", "step_um", "lp_mm")}
    step |= {key: value for key, value in left_to_bench.items() if value is not None}
    steps = [{"sweep": step}, {"assess": {"name": of_a_sweep()}}]
    return Procedure.from_doc({"procedure": "sweep", "title": "Sweep", "steps": steps})
