"""What the daemon answers to each verb over MQTT, whatever is asked of it, in one order on one simulated bench."""

from __future__ import annotations

import json
import secrets
from collections.abc import AsyncIterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import pytest_asyncio

from benchd.errors import Refused
from stack import Stack
from tests.recorded.net import hold
from tests.stack.conftest import PACE, SEED

if TYPE_CHECKING:
    from benchd.client.bench_client import BenchClient

pytestmark = [pytest.mark.stack, pytest.mark.asyncio(loop_scope="module")]

FITTED = {"lens": "L-0417", "adapters": ["ring-07"], "glass": ["pane-25"], "ring": "infinity", "distance_mm": 5000.0}
CommandAddress = tuple[str, dict[str, Any]]
BEFORE_CONTROL: list[CommandAddress] = [
    ("move", {"carriage_um": 9000}),
    ("light", {"level": 0.1}),
    ("setup", {"set": {}}),
    ("release", {"to": "nobody"}),
    ("take", {"force": 1}),
    ("take", {}),
]
NOT_HOMED: list[CommandAddress] = [
    ("nominal", {}),
    ("move", {"carriage_um": 9000}),
    ("move", {"offset_um": 1.0}),
    ("move", {"depth_um": 52000}),
    ("move", {}),
    ("move", {"carriage_um": 1, "by_um": 1}),
    ("move", {"carriage_um": "9000"}),
    ("move", {"carriage": 9000}),
    ("move", {"to_deg": 3}),
    ("move", {"axis": "lamp", "by_um": 1}),
    ("move", {"axis": "Stage", "by_um": 1}),
    ("home", {"axes": []}),
    ("home", {"axes": ["lamp"]}),
    ("home", {"axes": "carriage"}),
    ("sweep", {}),
    ("sweep", {"mode": "continuous"}),
    ("sweep", {"merit": "star"}),
    ("sweep", {"merit": "stars"}),
    ("sweep", {"about": "there"}),
    ("sweep", {"repeats": 0}),
    ("sweep", {"span_um": 90000.0, "step_um": 0.001}),
    ("setup", {"set": FITTED}),
    ("setup", {"set": FITTED, "rev": 99}),
    ("setup", {"set": {"lens": "L-9999"}}),
    ("setup", {"set": {"glass": ["pane-26"]}}),
    ("setup", {"set": {"adapters": ["gap-03"]}}),
    ("setup", {"set": {"ring": "loose"}}),
    ("setup", {"set": {"ring": {"mark": 2.5}}}),
    ("setup", {"set": {"m": {"value": 0.01}}}),
    ("setup", {"set": {"m": {"value": -0.01, "u": 0.001}}}),
    ("setup", {"set": {"distance_mm": 90.0}}),
    ("setup", {"set": {"temperature_C": 71}}),
    ("setup", {"set": {"temperature_C": None}}),
    ("setup", {"set": {"trim_um": 5000}}),
    ("setup", {"set": {"light_nm": 5460}}),
    ("setup", {"set": {"f_number": 0}}),
    ("setup", {"set": {"mount": "m50"}}),
    ("setup", {"set": {}, "follow": True}),
    ("setup", {"trim_um": 5}),
    ("setup", {"set": {"trim_um": 0.0}}),
    ("read", {"device": "position"}),
    ("read", {"device": "carriage"}),
    ("read", {"device": "target_light"}),
    ("read", {"device": "thermo"}),
    ("read", {}),
    ("run", {"procedure": "nothing"}),
    ("run", {"procedure": "bench_zero"}),
    ("run", {"procedure": "bench_zero", "inputs": {"reference": "collar-46"}}),
    ("run", {"procedure": "bench_zero", "inputs": {"reference": "collar-45", "remounts": 0}}),
    ("run", {"procedure": "adapter_length", "inputs": {"adapter": "ring-07", "colour": "blue"}}),
    ("pause", {"run": "r-0001"}),
    ("resume", {"run": "r-0001"}),
    ("abort", {"run": "r-0001"}),
    ("answer", {"ask": "a-1", "value": True}),
    ("answer", {"ask": "a-1", "value": None}),
    ("accept", {"finding": "f-1"}),
    ("accept", {"finding": "f-1", "days": 0}),
    ("accept", {"finding": "f-1", "days": 3700}),
    ("record", {"kind": "lens", "id": "L-9999"}),
    ("record", {"kind": "lamp", "id": "L-0417", "set": {}}),
    ("note", {"run": "r-0001", "text": "x"}),
    ("note", {"run": "r-0001", "text": ""}),
    ("jump", {}),
    ("jog", {"axis": "carriage", "speed_um_s": 10}),
    ("withdraw", {"artefact": "bench-zero"}),
    ("withdraw", {"artefact": "bench-zero", "why": "the base was taken apart"}),
]
HOMED: list[CommandAddress] = [
    ("sweep", {}),
    ("move", {"carriage_um": 30001}),
    ("move", {"carriage_um": -1.0}),
    ("move", {"depth_um": 52000.0}),
    ("move", {"offset_um": 4.0}),
    ("move", {"by_um": 90000}),
    ("setup", {"set": {"trim_um": 400.0}, "follow": True}),
    ("setup", {"set": {"lens": None}, "follow": True}),
    ("setup", {"set": {"trim_um": 0.0}}),
    ("sweep", {"about": "here"}),
    ("sweep", {"repeats": 100, "step_um": 0.1, "span_um": 100}),
    ("home", {"only_if_unhomed": True}),
    ("nominal", {}),
]
LIGHTS: list[CommandAddress] = [
    ("light", {"level": 0.25}),
    ("light", {"stops_by": 1}),
    ("light", {"on": False}),
    ("light", {"stops_by": 1}),
    ("light", {"on": True}),
    ("light", {"level": 1.5}),
    ("light", {"level": 0.5, "on": True}),
    ("light", {}),
    ("light", {"light": "lantern", "level": 0.1}),
    ("light", {"level": 0.1, "for_s": -1}),
    ("light", {"level": 0.0}),
    ("camera", {"exposure_ms": 40}),
    ("camera", {"exposure_ms": 0}),
    ("camera", {"camera": "target_light"}),
    ("camera", {"gain": "high"}),
]
MOVES = ("home", "nominal", "move", "sweep", "setup")
OF_THE_DAY = {"t": "<time>", "holder": "<user>"}


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def stack(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Stack]:
    folder: Path = tmp_path_factory.mktemp("replies")
    async with Stack(seed=SEED, pace=PACE, folder=folder) as stack:
        yield stack


async def test_what_is_answered(stack: Stack) -> None:
    found: dict[str, Any] = {}
    async with stack.client("rail") as client:
        for when, asked in (
            ("before control is taken", BEFORE_CONTROL),
            ("not homed", NOT_HOMED),
            ("homed", [("home", {}), *HOMED]),
            ("lights", LIGHTS),
        ):
            for number, (verb, args) in enumerate(asked, 1):
                found[f"{when} {number}: {verb} {json.dumps(args)}"] = await _answer(client, verb, args)
    hold("replies", found, um=20.0)


async def _answer(client: BenchClient, verb: str, args: Mapping[str, Any]) -> Any:
    """The answer; what it began is waited for, so that the next finds the bench at rest."""
    events = client.events()
    ident = secrets.token_hex(6)
    try:
        result = await client.command(verb, ident=ident, **args)
    except Refused as refused:
        return {"refused": refused.as_json()}
    if verb in MOVES and (verb != "setup" or args.get("follow")):
        async for _, event in events:
            if event["cause"] == ident and (event["code"] == "done" or event["severity"] != "info"):
                return {"result": _steady(result), "then": [event["code"], event["text"]]}
    return {"result": _steady(result)}


def _steady(result: Mapping[str, Any]) -> dict[str, Any]:
    return {key: OF_THE_DAY.get(key, value) for key, value in result.items()}
