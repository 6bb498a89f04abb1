"""The pictures of the barrel that are kept with a run, as files for a person, and in words."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchd.records.reader import Reader
    from benchd.records.values import BarrelPicture


def written(reader: Reader, pictures: list[BarrelPicture], folder: Path) -> list[Path]:
    """Write those that were taken into `folder`. Raises BenchdError where they cannot be written."""
    from benchd.cli.report import write_picture

    places = []
    for one in pictures:
        if one.file is not None and one.name is not None:
            place = folder / Path(one.name).name
            write_picture(place, reader.file(one.file))
            places.append(place)
    return places


def as_json(one: BarrelPicture) -> dict[str, Any]:
    """For a document."""
    return {"moment": one.moment, "taken": one.taken, "name": one.name, "said": one.said}


def in_words(pictures: list[BarrelPicture]) -> list[str]:
    """A line for each: when it was taken, or why it was not."""
    return [f"{one.moment}: {one.name}, {one.taken}" if one.name else one.said for one in pictures]
