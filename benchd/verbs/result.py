"""The base model of what a verb answers, and the results that several verbs share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Result(BaseModel):
    """The base model of answers and of parts of published documents."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True)


class Taken(Result):
    """Nothing beside that it was taken."""


class Target(Result):
    """Where the carriage goes."""

    carriage_um: float


class Angle(Result):
    """Where what turns goes."""

    deg: float | None
    """Null where it is told from where it stands, and that is not known yet."""


class Started(Result):
    """The run that was begun."""

    run: str
