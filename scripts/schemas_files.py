"""What a person writes, as JSON Schema 2020-12: an editor then completes keys and marks what may not stand.

A schema sees one file. What stands between files, or between keys of one, `benchd check` alone finds.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema

from benchd.arrangements.registry import ARRANGEMENTS
from benchd.detectors import registry as detectors
from benchd.devices import registry
from benchd.files.artefacts import Adapter, Glass, Lens, Reference
from benchd.files.bench_file import BenchFile
from benchd.files.known_to import OF_DEVICES
from benchd.procedures.language import Procedure

FILES: Mapping[str, type[BaseModel]] = {
    "bench": BenchFile,
    "adapter": Adapter,
    "glass": Glass,
    "lens": Lens,
    "reference": Reference,
    "procedure": Procedure,
}


class Plain(GenerateJsonSchema):
    """Without a title for every key, which would say its name once more."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def of_file(name: str) -> dict[str, Any]:
    """The schema of a kind of file; of a bench file with the keys of installed drivers, links and detectors."""
    schema = FILES[name].model_json_schema(schema_generator=Plain)
    if name == "bench":
        drivers = {name: registry.driver(name).Config for name in registry.names(registry.DRIVERS)}
        links = {name: registry.link_kind(name).Config for name in registry.names(registry.LINKS)}
        _add_keys(schema, "DeviceEntry", "driver", drivers)
        _add_keys(schema, "LinkEntry", "kind", links)
        arrangements = {name: ARRANGEMENTS.named(name).Config for name in ARRANGEMENTS.names()}
        _add_keys(schema, "ArrangementEntry", "kind", arrangements)
        _name_alone(schema, arrangements)
        schema["properties"]["detectors"]["properties"] = {
            one.name: one.Config.model_json_schema(schema_generator=Plain) for one in detectors.installed()
        }
    return {"$schema": GenerateJsonSchema.schema_dialect, **schema}


def _name_alone(schema: dict[str, Any], configs: Mapping[str, type[BaseModel]]) -> None:
    """No name of one that needs keys may stand without them."""
    needing = [name for name, config in configs.items() if any(f.is_required() for f in config.model_fields.values())]
    for either in schema["properties"]["arrangement"]["anyOf"]:
        if either.get("type") == "string":
            either["not"] = {"enum": sorted(needing)}


def _add_keys(schema: dict[str, Any], entry: str, key: str, configs: Mapping[str, type[BaseModel]]) -> None:
    """In an entry that names one of these under `key`, its own keys and no others; of others nothing is known."""
    whole = schema["$defs"][entry]
    whole["allOf"] = []
    for name, config in configs.items():
        own = config.model_json_schema(schema_generator=Plain)
        schema["$defs"] |= own.pop("$defs", {})
        own.setdefault("properties", {})
        for bounded in OF_DEVICES.keys() & own["properties"].keys():
            own["properties"][bounded]["allOf"] = [OF_DEVICES[bounded].as_schema()]
        whole["allOf"].append(
            {
                "if": {"properties": {key: {"const": name}}, "required": [key]},
                "then": own | {"properties": {**dict.fromkeys(whole["properties"], True), **own["properties"]}},
            }
        )
