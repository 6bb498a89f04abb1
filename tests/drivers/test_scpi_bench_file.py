"""The bench file with instruments by VISA: each wrong key is refused at its line, with what may stand there."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.bench.assembly import build, close_all, open_all
from benchd.devices import Light, Meter
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from tests.drivers.conftest import SimulatedBench
from tests.drivers.instruments import SimulatedInstruments

CONFIGS = Path(__file__).parents[2] / "configs"
SHIPPED = (CONFIGS / "workshop-instruments" / "bench.yaml").read_text(encoding="utf-8")


def bench_file(folder: Path, text: str) -> Path:
    path = folder / "bench.yaml"
    path.write_text(text.replace("records: ../workshop", f"records: {CONFIGS / 'workshop'}"), encoding="utf-8")
    return path


def test_what_ships_is_built(tmp_path: Path) -> None:
    assembly = build(load_bench(bench_file(tmp_path, SHIPPED)))
    assert assembly.named("target_light", Light).spec.steps == 1000
    assert assembly.named("diode", Meter).unit == "V"
    assert not any(link.connected for link in assembly.links.values())


@pytest.mark.stack
async def test_what_ships_lights_and_reads(
    tmp_path: Path, bench: SimulatedBench, instruments: SimulatedInstruments
) -> None:
    """The daemon's own way to open and close it; the board is told nothing of the light."""
    text = SHIPPED.replace("run/", f"{bench.folder}/").replace("http://127.0.0.1:8780", bench.camera)
    text = text.replace("linear: true", "linear: true\n    timeout_s: 30")  # the first picture is computed cold
    for name, port in (("supply", 5025), ("meter", 5026)):
        text = text.replace(f"TCPIP::127.0.0.1::{port}::SOCKET", instruments.places[name])
    assembly = build(load_bench(bench_file(tmp_path, text)))
    identities = await open_all(assembly)
    try:
        assert (identities["lamp"].serial, identities["diode"].serial) == ("SN0042", "SN1187")
        await assembly.named("target_light", Light).set_level(0.5)
        assert (await instruments.look("supply"))["flows_A"] == pytest.approx(0.35)
        reading = await assembly.named("diode", Meter).read()
        assert reading.value == pytest.approx(1.25, abs=1e-5)
    finally:
        await close_all(assembly)
    assert not (await instruments.look("supply"))["on"]


@pytest.mark.parametrize(
    ("right", "wrong", "key", "allowed"),
    [
        ("TCPIP::127.0.0.1::5025::SOCKET", "GPIB0::5::INSTR", "links.supply_net.resource", "of the form TCPIP"),
        ('5025::SOCKET"}', '5025::SOCKET", baud: 9600}', "links.supply_net.baud", "nothing here"),
        ('5025::SOCKET"}', '5025::SOCKET", parity: odd}', "links.supply_net.parity", ""),
        ("limit_V: 12.0", "limit_V: -1", "devices.lamp.limit_V", "more than 0"),
        ("limit_V: 12.0", "limit_A: 1", "devices.lamp.limit_A", "nothing here"),
        ("current_A: [0.0, 0.7]", "current_A: [0.7, 0.0]", "devices.lamp.current_A", "the second above the first"),
        ("steps: 1000", "step: 1000", "devices.lamp.step", "steps"),
        ("function: VOLTage:DC", "function: VOLT DC", "devices.diode.function", "no SCPI header"),
        ('identity: "^HOUSE,METER-6,"', 'identity: "("', "devices.diode.identity", "not a regular expression"),
        ("range: 10 ", "range: ten ", "devices.diode.range", "number"),
        ("settle_ms: 50", "settle_ms: 50\n    ask: measure", "devices.diode.power_cycles", "nothing here"),
    ],
)
def test_a_wrong_key_is_named_with_its_line(tmp_path: Path, right: str, wrong: str, key: str, allowed: str) -> None:
    assert SHIPPED.count(right) == 1
    text = SHIPPED.replace(right, wrong)
    with pytest.raises(FileProblems) as caught:
        build(load_bench(bench_file(tmp_path, text)))
    (problem,) = caught.value.problems
    assert problem.key == key
    assert allowed in problem.allowed
    lines = text.split("\n")
    written = key.rsplit(".", 1)[-1]
    assert written in lines[problem.line - 1], f"{problem} is not at the line of {written}"
