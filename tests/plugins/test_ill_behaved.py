"""What the code of another package does amiss costs that question, and no other, and never the daemon."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.bench.assembly import build
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord
from benchd.cli import own_words
from benchd.cli.tables import finding as shown
from benchd.devices import Clock
from benchd.errors import BenchdError, Refused
from benchd.files.loading import load_bench
from benchd.procedures.library import Library
from benchd.questions import registry
from benchd.questions.answer import answer
from benchd.questions.evidence import Evidence, evidence_of
from benchd.questions.flange import Flange
from benchd.questions.wording import Material
from benchd.records.store import Store
from tests.plain_text import text_of
from tests.plugins.conftest import installed

HERE = Path(__file__).parent
WORKSHOP = HERE.parents[1] / "configs" / "workshop" / "bench.yaml"

pytestmark = pytest.mark.asyncio(loop_scope="module")


def forget() -> None:
    vars(registry.QUESTIONS).pop("_points", None)
    registry.QUESTIONS._fit.clear()


@pytest.fixture(scope="module", autouse=True)
def package(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Found by this process, and by the worker that it begins."""
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(installed(HERE / "ill_behaved", tmp_path_factory.mktemp("packages"))))
        forget()
        yield
    forget()


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def bench(tmp_path_factory: pytest.TempPathFactory) -> AsyncIterator[Bench]:
    """A shipped bench, its devices never opened."""
    folder = tmp_path_factory.mktemp("bench")
    store = await Store.open("sqlite:///bench.db", folder, Clock())
    loaded = load_bench(WORKSHOP)
    bench = Bench(loaded, build(loaded), store, Notices(), Clock())
    yield bench
    await bench.close()
    await store.close()


@pytest.fixture
def evidence(bench: Bench) -> Evidence:
    return evidence_of(bench, RunRecord("r-0001", "tries", "rail"), "0")


@pytest.mark.parametrize(
    ("name", "code", "says"),
    [
        ("raises", "device_fault", "'raises' failed: KeyError: 'colour'."),
        ("exits", "device_fault", "'exits' failed: SystemExit: 3."),
        ("dies", "device_fault", "The process that worked on the assessment 'dies' has ended."),
        ("hangs", "timeout", "'hangs' was given up after 1 s."),
        ("of_another", "device_fault", "the finding is of assessment 'flange', and 'of_another' was asked for"),
        ("unasked", "device_fault", "unasked says that its findings do not"),
        ("no_finding", "device_fault", "'no_finding' failed: ValidationError"),
    ],
)
async def test_an_answer_that_fails_is_told_in_words(
    bench: Bench, evidence: Evidence, name: str, code: str, says: str
) -> None:
    with pytest.raises(BenchdError) as caught:
        await answer(bench.analysis, name, evidence, None)
    assert caught.value.code == code
    assert says in caught.value.text
    assert caught.value.advice
    assert await bench.analysis.run(abs, -1) == 1, "whoever comes next is served"


async def test_a_run_that_is_aborted_leaves_no_worker_hanging(bench: Bench, evidence: Evidence) -> None:
    """With the wait the limit went, and everything after it waited for an answer that never came."""
    waiting = asyncio.create_task(answer(bench.analysis, "hangs", evidence, None))
    await asyncio.sleep(0.3)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    assert await bench.analysis.run(abs, -1) == 1


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("misdeclared", "declares values"),
        ("unfinished", "lacks answer"),
        ("newer", "was written for version 2 of the interface"),
        ("overrides", "has another check_of, which are final"),
        ("not_there", "cannot be loaded: AttributeError"),
        ("no_class", "is no question: ill_behaved:answer is not a class of that kind"),
    ],
)
async def test_one_that_is_none_is_refused_by_name(name: str, says: str) -> None:
    with pytest.raises(BenchdError) as caught:
        registry.question(name)
    assert says in caught.value.text
    assert "package ill-behaved 0.1.0" in caught.value.text
    assert registry.calibrates(name) is None
    assert registry.wording_of({"assessment": name}).draws({}) is None


async def test_what_ships_is_as_ever() -> None:
    """A package that named its question `flange` kept every bench from starting."""
    assert registry.question("flange") is Flange
    assert registry.passed_over() == [
        "The assessment 'flange' of package ill-behaved 0.1.0 is not used: it has the name of one of benchd's own."
    ]
    assert "flange_check" in Library.shipped()


async def test_a_question_that_is_not_there_is_refused_with_those_that_are(bench: Bench, evidence: Evidence) -> None:
    with pytest.raises(Refused, match="no assessment 'flang'") as caught:
        await answer(bench.analysis, "flang", evidence, None)
    assert caught.value.advice.startswith("Did you mean 'flange'?")


async def test_words_that_fail_leave_the_plain_ones(
    bench: Bench, evidence: Evidence, capsys: pytest.CaptureFixture[str]
) -> None:
    """One finding's words ended the command, and the findings after it were not shown."""
    doc = await answer(bench.analysis, "wordless", evidence, None)
    assert "Wordless" in text_of(shown(doc))
    assert "'wordless' has no words for it: ZeroDivisionError" in capsys.readouterr().err
    material: Any = Material((), None, lambda _: None)
    with pytest.raises(Refused, match="no curve to draw"):
        own_words.picture(doc, material)
