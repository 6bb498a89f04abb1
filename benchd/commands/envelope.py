"""What surrounds the arguments of a command."""

from __future__ import annotations

from typing import Any

from pydantic import Field

from benchd.verbs.arguments import Args


class Envelope(Args):
    """What surrounds the arguments: an id, once only; a beat where the verb can start motion."""

    id: str = Field(pattern=r"^[!-~]{1,64}$")
    beat: str | None = Field(default=None, max_length=64)
    args: dict[str, Any] = Field(default_factory=dict)
