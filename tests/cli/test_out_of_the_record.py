"""What is asked of a record that does not hold it: said in words, with what it does hold."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchd.cli import exits
from benchd.cli.main import main
from benchd.devices.clock import Clock
from benchd.records.store import Store

URL = "sqlite:///bench.db"


@pytest.fixture
async def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A record with two set-ups and one lens, in the folder where the commands are typed."""
    store = await Store.open(URL, tmp_path, Clock())
    await store.put_lens("L-0417", {"mount": "m50"})
    await store.add_setup(11, {"lens": None}, [])
    await store.add_setup(12, {"lens": "L-0417"}, [])
    await store.close()
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["show", "setup", "13"], exits.REFUSED, "holds no set-up 13. (unknown_name)\nThe last one is 12."),
        (["show", "setup", "9" * 18], exits.REFUSED, "The last one is 12."),
        (["show", "setup", "9" * 30], exits.USAGE, "is no revision of the set-up, such as 1187"),
        (["show", "setup", "²"], exits.USAGE, "is no revision of the set-up, such as 1187"),
        (["show", "lens", "L-9"], exits.REFUSED, "holds no lens L-9. (unknown_name)\nA lens enters the record with"),
        (["show", "lens", "L-9"], exits.REFUSED, "so far: L-0417."),
        (["show", "finding", "L-0417"], exits.REFUSED, "A finding is named like f-7."),
        (["show", "run"], exits.REFUSED, "holds no run yet"),
        (["report", ""], exits.REFUSED, "holds no finding of ''. (not_found)"),
    ],
)
async def test_what_the_record_does_not_hold_is_said(
    record: None, words: list[str], code: int, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words, "--store", URL]) == code
    told = capsys.readouterr()
    assert said in told.err
    assert "Traceback" not in told.err
    assert told.out == ""


async def test_the_last_set_up_is_shown_where_none_is_named(record: None, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", "setup", "--store", URL]) == exits.DONE
    assert "Set-up 12" in capsys.readouterr().out


async def test_why_a_run_failed_is_shown_with_it(
    record: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = await Store.open(URL, tmp_path, Clock())
    for state in ("failed", "done", "failed"):
        run = await store.add_run("sweep", text_sha="", inputs={}, setup=12, lens=None, job=None, user="anna")
        await store.end_run(run, state)
        await store.add_event("device_fault", "error", f"Of {run}.", advice="Mend it.", cause="c1", data={"run": run})
        await store.add_event("device_fault", "error", "Of no run.", cause="c2")
    left = await store.add_run("sweep", text_sha="", inputs={}, setup=12, lens=None, job=None, user="anna")
    await store.end_run(left, "failed")
    await store.add_event("abandoned", "info", f"Run {left} was under way when the daemon last ended; it is closed.")
    await store.close()
    for run, said in (
        ("r-1", "Of r-0001. Mend it. (device_fault)"),
        ("r-3", "Of r-0003."),
        (left, "was under way when"),
    ):
        assert main(["show", "run", run, "--store", URL]) == exits.DONE
        assert said in capsys.readouterr().out
    assert main(["show", "run", "r-2", "--store", URL]) == exits.DONE
    assert "Why" not in capsys.readouterr().out
    assert main(["report", "r-1", "--store", URL]) == exits.REFUSED
    assert "The run is failed; `benchd show run r-1` tells more." in capsys.readouterr().err


async def test_the_bench_file_of_the_folder_is_found_without_being_told(
    record: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Beside its bench.yaml, with no bench running, one had to name it."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / "nothing-runs-here"))
    assert main(["show", "setup"]) == exits.REFUSED
    assert "Go to the folder of its bench.yaml" in capsys.readouterr().err
    (tmp_path / "bench.yaml").write_text(f"bench: north-rail\nstore: {{url: '{URL}'}}\n", encoding="utf-8")
    assert main(["show", "setup"]) == exits.DONE
    assert "Set-up 12" in capsys.readouterr().out
    assert main(["show", "setup", "--bench", "other"]) == exits.REFUSED, "a bench that is named is not this file's"
