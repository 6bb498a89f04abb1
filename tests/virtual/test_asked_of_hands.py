"""Procedures ask a person to set ring and iris where a person has to, and not where axes turn them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from benchd.client.bench_client import BenchClient
from tests.virtual.benches import VirtualBench, person

INPUTS: dict[str, Any] = {"lens": "L-0417", "adapters": ["ring-07"], "distance_mm": 5000}
BY_HAND = {
    "flange_check": ["Adapters and glass as listed, lens seated, ring at infinity, iris open?"],
    "glass_toggle": [
        "Adapters as listed, no glass, lens seated, ring at infinity, iris closed to f/5.6?",
        "Iris opened again?",
    ],
}
JOINED = "focus ring joined to its motor as for its marks, iris ring joined to its motor as for its marks?"
BY_AXES = {
    "flange_check": [f"Adapters and glass as listed, lens seated, {JOINED}"],
    "glass_toggle": [f"Adapters as listed, no glass, lens seated, {JOINED}"],
}

OPENED = """
procedure: opened
title: The iris, then the rest
needs: {roles: [carriage]}
steps:
  - setup: {lens: L-0417, adapters: [ring-07], glass: [pane-25]}
  - ask: {name: iris_open, kind: confirm, by_hand: {iris_ring: "iris opened again"}}
  - ask: {name: seated, kind: confirm, text: "Lens seated?", by_hand: {iris_ring: "iris open"}}
"""


async def asked(client: BenchClient, procedure: str) -> tuple[list[str], str]:
    """What is foreseen to be asked, and what then is asked first."""
    inputs = {**INPUTS, "glass": ["pane-25"]}
    plan = await client.command("run", procedure=procedure, inputs=inputs, dry=True)
    assert not plan["problems"], plan["problems"]
    run = await client.run(procedure, inputs)
    async for state in client.follow(run):
        if state["ask"] is not None:
            await client.command("abort", run=run)
            text = str(state["ask"]["text"])
            async for last in client.follow(run):
                assert last["ask"] is None or last["state"] == "asking"
            return plan["asks"], text
    raise AssertionError("nothing was asked")


@pytest.mark.parametrize(("name", "texts"), [("workshop", BY_HAND), ("workshop-rings", BY_AXES)])
async def test_rings_are_asked_for_where_hands_turn_them(
    tmp_path: Path, name: str, texts: dict[str, list[str]]
) -> None:
    async with VirtualBench(tmp_path, world=name, config=name) as bench, person(bench) as (client, _):
        turned = ["focus_ring", "iris_ring"] if name == "workshop-rings" else []
        await client.do("home", axes=["carriage", *turned])
        for procedure, wanted in texts.items():
            foreseen, first = await asked(client, procedure)
            about_rings = [text for text in foreseen if "seated" in text or "ris" in text]
            assert [text[text.rindex("? ") + 2 :] if "? " in text else text for text in about_rings] == wanted
            assert first.endswith(wanted[0])


async def test_a_lens_without_angles_is_turned_by_hand_on_a_bench_with_axes(tmp_path: Path) -> None:
    """L-0418 has no gear: its record says no angles."""
    async with (
        VirtualBench(tmp_path, world="workshop-rings", config="workshop-rings") as bench,
        person(bench) as (client, _),
    ):
        await client.do("home", axes=["carriage", "focus_ring", "iris_ring"])
        plan = await client.command("run", procedure="flange_check", inputs={**INPUTS, "lens": "L-0418"}, dry=True)
        assert any(text.endswith("lens seated, ring at infinity, iris open?") for text in plan["asks"]), plan["asks"]


@pytest.mark.parametrize(
    ("name", "wanted"),
    [
        ("workshop", {"iris_open": "Iris opened again?", "seated": "Lens seated, iris open?"}),
        ("workshop-rings", {"seated": "Lens seated, iris ring joined to its motor as for its marks?"}),
    ],
)
async def test_a_run_asks_nobody_for_what_axes_turn_and_goes_on(
    tmp_path: Path, name: str, wanted: dict[str, str]
) -> None:
    """A question of nothing but the iris is left out of the run where an axis turns it."""
    files = {"procedures/opened.yaml": OPENED}
    async with VirtualBench(tmp_path, world=name, config=name, files=files) as bench, person(bench) as (client, _):
        answered: dict[str, str] = {}
        async for state in client.follow(await client.run("opened", {})):
            if state["state"] == "asking" and state["ask"]["name"] not in answered:
                answered[state["ask"]["name"]] = state["ask"]["text"]
                await client.answer(state["ask"]["ask"], True)
        assert state["state"] == "done"
        assert answered == wanted
