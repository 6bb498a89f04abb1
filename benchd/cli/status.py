"""`benchd status`: the state of the bench on one screen."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from rich.console import Group, RenderableType

    from benchd.client import BenchClient

HEARD_S = 3.0
"""Time limit for the arrival of the kept documents."""

FINDINGS_S = 0.2

NEEDED = ("about", "setup", "control", "procedure", "device/carriage", "beat")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Nothing but which bench."""
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 where the bench answers."""
    from benchd.cli.speak import with_bench

    async def show(bench: BenchClient) -> int:
        state = await all_kept(bench)
        if args.json:
            print(json.dumps({"bench": bench.bench, **state}, ensure_ascii=False))
        else:
            from benchd.cli.console import out

            out().print(screen(bench.bench, state))
        return exits.DONE

    return with_bench(args, show)


async def all_kept(bench: BenchClient) -> dict[str, Any]:
    """Every kept document; waits for those that must exist."""
    import asyncio

    for topic in NEEDED:
        await bench.kept(topic, within_s=HEARD_S)
    about = await bench.kept("about")
    await asyncio.gather(*(bench.kept(f"device/{name}", within_s=HEARD_S) for name in _published_devices(about)))
    # Findings are kept only where there are any, and the broker sends them last.
    await asyncio.sleep(FINDINGS_S)
    return bench.state()


def _published_devices(about: Mapping[str, Any]) -> list[str]:
    return [name for name, device in about.get("devices", {}).items() if device.get("kind") != "operator"]


def screen(name: str, state: Mapping[str, Any]) -> Group:
    """Carriage, run, set-up, devices and last findings; the chain, which is long, after them."""
    from rich.console import Group
    from rich.text import Text

    from benchd.cli import lines, tables
    from benchd.shown import in_one_line

    setup, about = state["setup"], state["about"]
    head = f"Bench {name}, {about.get('arrangement')}"
    parts: list[RenderableType] = [tables.heading(head, f"benchd {about.get('version')}")]
    parts.append(
        tables.pairs(
            [
                ("Carriage", lines.carriage(state["device/carriage"])),
                ("Control", _control(state["control"])),
                ("Run", lines.procedure(state["procedure"])),
            ]
        )
    )
    parts += [tables.subheading(f"Set-up, revision {setup['rev']}"), tables.pairs(stated(setup))]
    parts += [tables.item(note) for note in setup.get("notes") or []]
    parts += [tables.subheading("Devices"), tables.plain(_DEVICE, _devices(state))]
    findings = [doc for topic, doc in state.items() if topic.startswith("finding/") and doc]
    parts.append(tables.subheading("Last findings"))
    parts += [Text(in_one_line(f"  {doc['assessment']}: {lines.finding(doc)}")) for doc in findings] or [Text("  none")]
    if setup.get("chain"):
        parts += [tables.subheading("Datum chain"), tables.chain_table(setup["chain"])]
    return Group(*parts)


_DEVICE = (("role or name", "left"), ("what", "left"), ("state", "left"))


def stated(setup: Mapping[str, Any]) -> list[tuple[str, RenderableType]]:
    from benchd.cli import lines
    from benchd.reports import words

    names = {
        "lens": "Lens",
        "adapters": "Adapters",
        "glass": "Glass",
        "ring": "Ring",
        "distance_mm": "Target to wall",
        "m": "Magnification",
        "f_number": "F-number",
        "light_nm": "Light",
        "temperature_C": "Temperature",
        "trim_um": "Trim",
        "support": "Support",
        "job": "Job",
    }
    always = ("lens", "adapters", "glass", "trim_um")
    rows: list[tuple[str, RenderableType]] = []
    for key, name in names.items():
        value = setup.get(key)
        if key in always or value not in (None, []):
            rows.append((name, lines.plain(value, key)))
    if setup.get("lens") and not setup.get("absolute"):
        rows.append(("Zero", f"RELATIVE: {words.why_relative(setup)}; findings carry no verdict"))
    return rows


def _control(control: Mapping[str, Any]) -> str:
    if not control.get("holder"):
        return "nobody holds it"
    return f"{control['holder']} holds it, idle for {control.get('idle_s') or 0} s"


def _devices(state: Mapping[str, Any]) -> list[tuple[str, str, str]]:
    from benchd.cli import lines

    rows = []
    for name, about in state["about"].get("devices", {}).items():
        doc = state.get(f"device/{name}")
        model = f"{about.get('driver')} {about.get('model') or ''}".strip()
        if doc is None:
            status = "waits to be asked" if about.get("kind") == "operator" else "says nothing"
        else:
            status = str(doc["state"]) if name == "carriage" else lines.device(doc)
        rows.append((name, model, status))
    return rows
