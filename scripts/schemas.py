"""Writes configs/schemas from the models: a JSON Schema of each kind of file, and what goes over MQTT as AsyncAPI."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from schemas_files import FILES, of_file
from schemas_mqtt import asyncapi

FOLDER = Path(__file__).resolve().parent.parent / "configs" / "schemas"


def documents() -> dict[str, str]:
    """The text of each document by its file's name."""
    made: dict[str, Any] = {f"{name}.json": of_file(name) for name in FILES}
    made["asyncapi.json"] = asyncapi()
    return {name: json.dumps(document, indent=2, ensure_ascii=False) + "\n" for name, document in made.items()}


def main() -> None:
    """Write them all; a file that nothing makes any more is removed."""
    FOLDER.mkdir(exist_ok=True)
    made = documents()
    for name, text in made.items():
        (FOLDER / name).write_text(text, encoding="utf-8")
    for left in FOLDER.glob("*.json"):
        if left.name not in made:
            left.unlink()


if __name__ == "__main__":
    main()
