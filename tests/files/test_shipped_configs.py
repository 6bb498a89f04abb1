"""The bench files that people copy load as they stand, and their records are the scenario's."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.devices import registry
from benchd.files.loading import load_bench

CONFIGS = Path(__file__).parents[2] / "configs"


SCENARIOS = {
    "workshop": "wall",
    "workshop-collimated": "collimated",
    "workshop-reticle": "collimator_reticle",
    "workshop-autocollimation": "autocollimation",
    "workshop-instruments": "wall",
    "workshop-modbus": "wall",
    "workshop-dmx": "wall",
    "workshop-rings": "wall",
    "workshop-photodiode": "autocollimation",
    "workshop-pictures": "wall",
}


@pytest.mark.parametrize(("scenario", "arrangement"), SCENARIOS.items())
def test_loads(scenario: str, arrangement: str) -> None:
    bench = load_bench(CONFIGS / scenario / "bench.yaml")
    assert bench.file.arrangement.kind == arrangement
    assert set(bench.records.adapters) == {"ring-07", "gap-03", "gap-04"}
    assert bench.records.lens("L-0417").designed_for_glass == "pane-25"
    assert bench.records.lens("L-0418").designed_for_glass is None
    assert bench.records.glass("pane-25").thickness_mm == pytest.approx(2.498)
    assert bench.records.reference("collar-45").given is not None
    assert bench.file.public_name("diode" if scenario == "workshop-photodiode" else "view") == "detector"
    assert bench.file.roles["indicator"] == "dial"


@pytest.mark.parametrize("scenario", sorted(SCENARIOS.keys() - {"workshop"}))
def test_benches_differ_only_where_the_arrangement_does(scenario: str) -> None:
    wall, other = (load_bench(CONFIGS / one / "bench.yaml").file for one in ("workshop", scenario))
    own = {"base", "target"} if scenario == "workshop-reticle" else set()
    for name in {"bench", "seat", "motion", "joint", "base", "target", "set_up", "mounts", "shims_um"} - own:
        assert getattr(wall, name) == getattr(other, name)
    switches = {"emergency_stop": "stop_button", "hands_in": "door"}
    rings = {"focus_ring": "focus_motor", "iris_ring": "iris_motor"}
    room = {"temperature": "thermometer", "range": "rangefinder", "level": "tilt"}
    diodes = {"detector": "diode", "lamp_reference": "lamp_eye"}
    own_roles = {
        "workshop-collimated": switches,
        "workshop-rings": rings | room,
        "workshop-photodiode": diodes,
        "workshop-pictures": {"barrel_view": "witness"},
    }
    assert dict(other.roles) == dict(wall.roles) | own_roles.get(scenario, {})


@pytest.mark.parametrize("scenario", SCENARIOS)
def test_every_driver_and_link_takes_its_keys(scenario: str) -> None:
    loaded = load_bench(CONFIGS / scenario / "bench.yaml")
    for name, link in loaded.file.links.items():
        loaded.link_config(name, registry.link_kind(link.kind).Config)
    for name, device in loaded.file.devices.items():
        loaded.device_config(name, registry.driver(device.driver).Config)
