"""What a table says, as plain text."""

from __future__ import annotations

import io

from rich.console import Console, RenderableType

from benchd.cli.tables import WIDTH


def text_of(*parts: RenderableType, width: int = WIDTH) -> str:
    """The parts as they would stand in a file or a pipe, without blanks at the ends of lines."""
    file = io.StringIO()
    Console(file=file, width=width, color_system=None, highlight=False, markup=False, emoji=False).print(
        *parts, sep="\n"
    )
    return "".join(f"{line.rstrip()}\n" for line in file.getvalue().splitlines())
