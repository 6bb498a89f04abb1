"""`benchd lens` and `benchd shim`: files on this machine, and what is asked of the running bench."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import exits
from benchd.cli.shim import fitted
from benchd.errors import Refused
from benchd.files.loading import load_bench
from benchd.testing.mqtt_rig import MqttRig

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture
def files(tmp_path: Path) -> Path:
    shutil.copytree(CONFIGS / "workshop", tmp_path / "workshop")
    return tmp_path / "workshop"


async def test_the_lenses_of_the_files(files: Path, cli: Any) -> None:
    told = await cli("lens", "list", "--bench-file", str(files))
    assert told.code == exits.DONE
    (row,) = [line for line in told.out.splitlines() if line.strip().startswith("L-0417")]
    assert row.split() == ["L-0417", "Tarnbeck", "50", "2231", "m50", "pane-25", "50", "10"]
    doc = (await cli("lens", "list", "--bench-file", str(files), "--json")).doc
    assert [lens["lens"] for lens in doc["lenses"]] == ["L-0417", "L-0418"]
    shown = await cli("lens", "show", "L-0417", "--bench-file", str(files))
    assert (files / "lenses" / "L-0417.yaml").read_text(encoding="utf-8") in shown.out


async def test_a_lens_that_is_not_there(files: Path, cli: Any) -> None:
    told = await cli("lens", "show", "L-0471", "--bench-file", str(files))
    assert told.code == exits.REFUSED
    assert "There is no lens 'L-0471'. (unknown_name)\nDid you mean L-0418 or L-0417?" in told.err


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("new",), "which lens?"),
        (("new", "L-0500"), "mount, focal_length_mm and f_number"),
        (("edit", "L-0417"), "say what changes"),
        (("edit", "L-0417", "f_number=2", "--like", "L-0418"), "--like goes with `new`"),
        (("show", "L-0417", "f_number=2"), "takes no 'f_number=2'"),
    ],
)
async def test_what_cannot_be_asked(files: Path, cli: Any, words: tuple[str, ...], why: str) -> None:
    told = await cli("lens", *words, "--bench-file", str(files))
    assert told.code == exits.USAGE
    assert why in told.err


async def test_a_new_lens_like_another(files: Path, rig: MqttRig, cli: Any) -> None:
    """What is of the model comes with it; what is of the specimen does not."""
    words = ("L-0500", "serial=0031", "focal_length_mm=49.9+-0.2", "--like", "L-0417")
    await cli("lens", "new", *words, "--bench-file", str(files))
    (request,) = rig.done
    values = request.args.set
    assert (request.verb, request.args.kind, request.args.id) == ("record", "lens", "L-0500")
    assert (values["serial"], values["focal_length_mm"]) == ("0031", {"value": 49.9, "u": 0.2})
    assert (values["model"], values["mount"], values["rear_protrusion_mm"]) == ("Tarnbeck 50", "m50", 8.0)
    assert not set(values) & {"lens", "shims_fitted_um", "owner", "set"}
    taken = await cli("lens", "new", "L-0417", "f_number=2", "--bench-file", str(files))
    assert taken.code == exits.REFUSED
    assert "There is a lens L-0417 already" in taken.err


@pytest.mark.parametrize(
    ("amounts", "left"), [((10.0,), [50, 10]), ((-50.0,), []), ((-50.0, 20.0, 0.5), [20, 0.5]), ((50.0, -50.0), [50])]
)
def test_shims_that_are_added_and_taken_out(amounts: tuple[float, ...], left: list[float]) -> None:
    lens = load_bench(CONFIGS / "workshop" / "bench.yaml").records.lens("L-0417")
    assert fitted(lens, list(amounts)) == left


def test_a_shim_that_is_not_there_cannot_be_taken_out() -> None:
    lens = load_bench(CONFIGS / "workshop" / "bench.yaml").records.lens("L-0417")
    with pytest.raises(Refused, match="There is no shim of 20 µm under L-0417: 50 µm"):
        fitted(lens, [-20.0])


async def test_a_shim_is_noted(files: Path, rig: MqttRig, cli: Any) -> None:
    told = await cli("shim", "L-0417", "+10", "--bench-file", str(files))
    assert "Under L-0417: 50 µm before, 50 + 10 = 60 µm now." in told.out
    (request,) = rig.done
    assert request.args.set == {"shims_fitted_um": [50, 10]}
    wrong = await cli("shim", "L-0417", "10", "--bench-file", str(files))
    assert wrong.code == exits.USAGE
    assert "'10' is no amount" in wrong.err
