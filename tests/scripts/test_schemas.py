"""The documents in configs/schemas: made from the models as they are, valid, and of the same mind as the bench."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator

import schemas
from benchd.errors import ERROR_CODES
from benchd.files.problems import FileProblems
from benchd.files.source import load_yaml, read_model
from benchd.verbs.table import VERBS
from schemas_files import FILES

ROOT = Path(__file__).resolve().parents[2]
WORKSHOP = ROOT / "configs" / "workshop"
GOOD = {
    "bench": [WORKSHOP / "bench.yaml", ROOT / "configs" / "workshop-collimated" / "bench.yaml"],
    "adapter": sorted((WORKSHOP / "adapters").glob("*.yaml")),
    "glass": sorted((WORKSHOP / "glasses").glob("*.yaml")),
    "lens": sorted((WORKSHOP / "lenses").glob("*.yaml")),
    "reference": sorted((WORKSHOP / "references").glob("*.yaml")),
    "procedure": sorted((ROOT / "benchd" / "procedures" / "shipped").glob("*.yaml")),
}
BAD = [
    ("bench", "settle_ms: 150", "settle_ms: soon"),
    ("bench", "settle_ms: 150", "settel_ms: 150"),
    ("bench", "arrangement: wall ", "arrangement: [wall] "),
    ("bench", "bench: north-rail ", "bench: North Rail "),
    ("bench", "detector: view,", "detectr: view,"),
    ("bench", "u_um: 100,", "u_um: 0,"),
    ("bench", "  alpha_per_K: 11.5e-6\n", ""),
    ("adapter", "23.0e-6", "23.0"),
    ("adapter", "turns: false", "turns: no"),
    ("glass", "index: 1.5230", "index: 15230"),
    ("reference", "setting_ring  ", "ring  "),
    ("lens", "lens: L-0417", "lens: L/0417"),
    ("lens", "{value: 49.6, u: 0.2}", "49.6"),
    ("lens", "5, inf]", "5, infty]"),
    ("adapter", "u_um: 1.5", "u_um: 0.0015"),
    ("adapter", "u_um: 1.5", "u_um: 1500"),
    ("reference", "u_um: 0.6", "u_um: 0.0004"),
    ("reference", "u_um: 0.6", "u_um: 600"),
    ("glass", "u_mm: 0.002", "u_mm: 0.000002"),
    ("glass", "u_mm: 0.002", "u_mm: 20"),
    ("glass", "u_index: 0.0005", "u_index: 0.5"),
    ("lens", "u: 0.2}", "u: 0.00002}"),
    ("lens", "u: 0.2}", "u: 2000}"),
    ("bench", "u_um: 0.7", "u_um: 0.0007"),
    ("bench", "u_pitch_mm: 0.0005", "u_pitch_mm: 5.0e-7"),
    ("bench", "u_pitch_mm: 0.0005", "u_pitch_mm: 50"),
    ("procedure", "type: lens", "type: lenses"),
    ("procedure", "- nominal: {}", "- nominl: {}"),
    ("procedure", "level: 0.4", 'level: "$(level)"'),
]
"""Kind of file, what stands in the first good one that has it, what is put in its place."""
BAD_FOR_DRIVERS = [
    ("arrangement: wall ", "arrangement: collimator_reticle "),
    ("arrangement: wall ", "arrangement: {kind: collimated, u_vergense_per_m: 1.0e-4} "),
    ("arrangement: wall ", "arrangement: {kind: wall, u_vergence_per_m: 1.0e-4} "),
    ("letter: Z", "leter: Z"),
    ("travel_um: [0, 30000]", "travel_um: [0]"),
    ("safe_level: 0", "safe_level: 2"),
    ("baud: 115200", "bawd: 115200"),
    ("u_scale: 1.0e-5", "u_scale: 1.0e-9"),
    ("u_scale: 1.0e-5", "u_scale: 0.1"),
    ("u_gain: 0.001", "u_gain: 1"),
]
"""The same of keys in a bench file that a driver or a link reads."""


@pytest.fixture(scope="module")
def committed() -> dict[str, Any]:
    return {path.stem: json.loads(path.read_text("utf-8")) for path in schemas.FOLDER.glob("*.json")}


def test_what_is_committed_is_what_the_models_make() -> None:
    made = schemas.documents()
    there = {path.name: path.read_text(encoding="utf-8") for path in schemas.FOLDER.iterdir()}
    differ = sorted(name for name in made.keys() | there.keys() if made.get(name) != there.get(name))
    assert not differ, f"run scripts/schemas: {', '.join(differ)} differ"


@pytest.mark.parametrize("kind", FILES)
def test_each_schema_is_valid_and_takes_every_good_file(committed: dict[str, Any], kind: str) -> None:
    Draft202012Validator.check_schema(committed[kind])
    assert committed[kind]["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    validator = Draft202012Validator(committed[kind])
    assert GOOD[kind]
    for path in GOOD[kind]:
        errors = [f"{path.name} {error.json_path}: {error.message}" for error in validator.iter_errors(_data(path))]
        assert not errors


@pytest.mark.parametrize("kind", FILES)
def test_no_schema_takes_another_kind_of_file(committed: dict[str, Any], kind: str) -> None:
    validator = Draft202012Validator(committed[kind])
    for other in FILES.keys() - {kind}:
        assert not validator.is_valid(_data(GOOD[other][0]))


@pytest.mark.parametrize(("kind", "before", "after"), BAD)
def test_what_the_bench_refuses_is_marked(
    committed: dict[str, Any], kind: str, before: str, after: str, tmp_path: Path
) -> None:
    bad = _spoilt(kind, before, after, tmp_path)
    with pytest.raises(FileProblems):
        read_model(bad, FILES[kind])
    assert not Draft202012Validator(committed[kind]).is_valid(_data(bad))


@pytest.mark.parametrize(("before", "after"), BAD_FOR_DRIVERS)
def test_what_a_driver_refuses_is_marked(committed: dict[str, Any], before: str, after: str, tmp_path: Path) -> None:
    bad = _spoilt("bench", before, after, tmp_path)
    assert not Draft202012Validator(committed["bench"]).is_valid(_data(bad))


def test_keys_of_a_driver_from_elsewhere_are_left_to_it(committed: dict[str, Any]) -> None:
    bench = _data(GOOD["bench"][0])
    bench["devices"]["stage"] = {"driver": "piezo", "link": "board_line", "channel": 3}
    assert Draft202012Validator(committed["bench"]).is_valid(bench)


# AsyncAPI 3.0.0 by its text, https://github.com/asyncapi/spec/blob/v3.0.0/spec/asyncapi.md: no package of PyPI carries
# its JSON Schema. "MUST" below is the specification's.

INFO = {"title", "version", "description"}
CHANNEL = {"address", "messages", "parameters"}
OPERATION = {"action", "channel", "messages", "bindings", "summary", "reply", "x-needs"}
MESSAGE = {"name", "summary", "payload", "correlationId", "bindings"}


def test_the_document_has_the_form_of_asyncapi_3(committed: dict[str, Any]) -> None:
    document = committed["asyncapi"]
    assert document["asyncapi"] == "3.0.0"
    assert document["info"].keys() == INFO
    for group in ("servers", "channels", "operations"):
        assert all(re.fullmatch(r"[A-Za-z0-9_-]+", name) for name in document[group])
    for group in document["components"].values():  # "MUST use keys that match"
        assert all(re.fullmatch(r"[a-zA-Z0-9._-]+", name) for name in group)
    for server in document["servers"].values():
        assert server.keys() >= {"host", "protocol"}
    for channel in document["channels"].values():
        assert channel.keys() == CHANNEL
        # "MUST be a map of the parameters included in channel address"
        assert set(re.findall(r"\{(\w+)\}", channel["address"])) == channel["parameters"].keys()
    addresses = [channel["address"] for channel in document["channels"].values()]
    assert len(addresses) == len(set(addresses))
    for message in document["components"]["messages"].values():
        assert message.keys() <= MESSAGE


def test_every_reference_leads_somewhere(committed: dict[str, Any]) -> None:
    document = committed["asyncapi"]
    references = list(_references(document))
    assert len(references) > 200
    for reference in references:
        part = document
        for key in reference.removeprefix("#/").split("/"):
            part = part[key]


def test_operations_use_messages_of_their_channel(committed: dict[str, Any]) -> None:
    """ "It MUST contain a subset of the messages defined in the channel referenced", of the reply as well."""
    document = committed["asyncapi"]
    for operation in document["operations"].values():
        assert operation.keys() <= OPERATION
        assert operation["action"] in ("send", "receive")
        for part in filter(None, (operation, operation.get("reply"))):
            place = part["channel"]["$ref"]
            assert place.startswith("#/channels/")
            assert all(one["$ref"].startswith(f"{place}/messages/") for one in part["messages"])
        # The MQTT bindings, version 0.2.0: https://github.com/asyncapi/bindings/blob/master/mqtt/README.md
        assert operation["bindings"]["mqtt"].keys() == {"qos", "retain", "bindingVersion"}
        assert operation["bindings"]["mqtt"]["bindingVersion"] == "0.2.0"
        assert operation["bindings"]["mqtt"]["qos"] in (0, 1, 2)


def test_schemas_are_of_draft_7_as_asyncapi_takes_them(committed: dict[str, Any]) -> None:
    for name, schema in committed["asyncapi"]["components"]["schemas"].items():
        Draft7Validator.check_schema(schema)
        newer = {"prefixItems", "unevaluatedProperties", "$defs", "dependentRequired"} & set(_keys(schema))
        assert not newer, name


def test_every_verb_and_error_code_is_told(committed: dict[str, Any]) -> None:
    document = committed["asyncapi"]
    commands = {name.removeprefix("command_") for name in document["operations"] if name.startswith("command_")}
    assert commands == {*VERBS, "stop"}
    assert set(document["components"]["schemas"]["Error"]["properties"]["code"]["enum"]) == ERROR_CODES
    needs = {verb: document["operations"][f"command_{verb}"]["x-needs"] for verb in commands}
    assert needs["home"] == {"role": "drive", "control": "always", "beat": "always"}
    assert needs["setup"]["beat"] == "with `follow`"
    assert needs["stop"] == {"control": "never", "beat": "never"}
    required = {verb: document["components"]["schemas"][f"{verb.title()}Command"].get("required", []) for verb in needs}
    assert {verb for verb, keys in required.items() if "beat" in keys} == {
        verb for verb, need in needs.items() if need["beat"] == "always"
    }


def _spoilt(kind: str, before: str, after: str, folder: Path) -> Path:
    texts = (path.read_text(encoding="utf-8") for path in GOOD[kind])
    text = next(text for text in texts if before in text)
    bad = folder / "bad.yaml"
    bad.write_text(text.replace(before, after, 1), encoding="utf-8")
    return bad


def _data(path: Path) -> Any:
    """The file as plain JSON values, as the bench reads it."""
    return json.loads(json.dumps(load_yaml(path).data))


def _references(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        if isinstance(part.get("$ref"), str):
            yield part["$ref"]
        for inner in part.values():
            yield from _references(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from _references(inner)


def _keys(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        yield from part
        for inner in part.values():
            yield from _keys(inner)
    elif isinstance(part, list):
        for inner in part:
            yield from _keys(inner)
