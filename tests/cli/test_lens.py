"""`benchd lens` and `benchd shim`: files on this machine, and what is asked of the running bench."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from benchd.cli import exits
from benchd.cli.shim import fitted
from benchd.errors import Refused
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
        (("list", "--host", "192.0.2.1"), "asks no broker"),
        (("edit", "L-0417", "shims_fitted_um=10um"), "'10um' is no number"),
    ],
)
async def test_what_cannot_be_asked(files: Path, cli: Any, words: tuple[str, ...], why: str) -> None:
    told = await cli("lens", *words)
    assert told.code == exits.USAGE
    assert why in told.err


async def test_a_new_lens_is_asked_of_the_bench(rig: MqttRig, cli: Any) -> None:
    await cli("lens", "new", "L-0500", "serial=0031", "focal_length_mm=49.9+-0.2", "shims_fitted_um=50,10.5")
    (request,) = rig.done
    assert (request.verb, request.args.kind, request.args.id, request.args.new) == ("record", "lens", "L-0500", True)
    assert request.args.set == {
        "serial": "0031", "focal_length_mm": {"value": 49.9, "u": 0.2}, "shims_fitted_um": [50.0, 10.5],
    }  # fmt: skip
    await cli("lens", "edit", "L-0500", "shims_fitted_um=null")
    assert (rig.done[-1].args.set, rig.done[-1].args.new) == ({"shims_fitted_um": None}, False)


@pytest.mark.parametrize(
    ("amounts", "left"), [((10.0,), [50, 10]), ((-50.0,), []), ((-50.0, 20.0, 0.5), [20, 0.5]), ((50.0, -50.0), [50])]
)
def test_shims_that_are_added_and_taken_out(amounts: tuple[float, ...], left: list[float]) -> None:
    assert fitted("L-0417", [50.0], amounts) == left


def test_a_shim_that_is_not_there_cannot_be_taken_out() -> None:
    with pytest.raises(Refused, match="There is no shim of 20 µm under L-0417: 50 µm"):
        fitted("L-0417", [50.0], [-20.0])


@pytest.mark.parametrize("amount", ["10", "+0", "-0.0", "+ten"])
async def test_what_is_no_amount(cli: Any, amount: str) -> None:
    told = await cli("shim", "L-0417", amount)
    assert told.code == exits.USAGE
    assert f"'{amount}' is no amount" in told.err
