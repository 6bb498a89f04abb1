"""A record that is edited while the daemon runs: what was read before is not reckoned with as if it still stood."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from benchd.errors import Refused
from tests.at_work import LENS, AtWork
from tests.virtual.benches import VirtualBench


def reaches_back(path: Path, mm: float) -> None:
    text, found = re.subn(r"(?m)^rear_protrusion_mm:.*$", f"rear_protrusion_mm: {mm:g}", path.read_text())
    assert found == 1
    path.write_text(text)


async def test_an_edited_lens_is_refused_until_it_has_been_read_again(tmp_path: Path) -> None:
    async with VirtualBench(tmp_path, seed=17) as stack:
        bench = AtWork(stack)
        lens = stack.bench_file.parent / "lenses" / f"{LENS}.yaml"
        async with bench.at():
            await bench.at_nominal()
            before = await bench.client.kept("setup")
            reaches_back(lens, 47.5)
            with pytest.raises(Refused, match=rf"{LENS}.*has been changed.*Start benchd again"):
                await bench.client.command("setup", set={"trim_um": 5})
            with pytest.raises(Refused, match="has been changed"):
                await bench.in_flange_check()
            after = await bench.client.kept("setup")
            assert after["rev"] == before["rev"]
            # What is not on the bench any more is nobody's concern.
            await bench.client.command("setup", set={"lens": None, "glass": [], "adapters": []})
        await stack.end_daemon()
        await stack.start_daemon()
        async with bench.at():
            await bench.home()
            with pytest.raises(Refused) as refused:
                await bench.in_flange_check()
            assert refused.value.code == "clearance", "as the record says now"
