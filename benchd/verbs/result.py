"""The root of what is told, and the results that several verbs share."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Told(BaseModel):
    """The root of all that is told."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, use_attribute_docstrings=True)


class Taken(Told):
    """Nothing beside that it was taken."""


class Target(Told):
    """Where the carriage goes."""

    carriage_um: float


class Started(Told):
    """The run that was begun."""

    run: str
