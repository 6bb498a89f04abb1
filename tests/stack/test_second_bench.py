"""A second daemon on a record that is in use: refused, and told of the first."""

from __future__ import annotations

import asyncio
import os

import pytest

from stack import BIN, Stack
from tests.stack.conftest import PACE, SEED

pytestmark = pytest.mark.stack


async def test_a_second_bench_on_the_record_is_told_of_the_first() -> None:
    async with Stack(seed=SEED, pace=PACE) as bench:
        process = await asyncio.create_subprocess_exec(
            str(BIN / "benchd"), "up", str(bench.bench_file),
            stdin=asyncio.subprocess.DEVNULL, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT,
            env={**os.environ, "XDG_RUNTIME_DIR": str(bench.folder / "xdg")},
        )  # fmt: skip
        try:
            async with asyncio.timeout(120):
                out, _ = await process.communicate()
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
        said = out.decode()
        assert process.returncode == 1, said
        assert str(bench.bench_file.parent / "workshop.db") in said
        assert f"process {bench.process('daemon').pid}" in said
        assert "Another bench" in said
        assert "store.url" in said
        assert "Traceback" not in said
