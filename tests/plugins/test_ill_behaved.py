"""What the code of another package does amiss costs that question, detector or arrangement, and never the daemon."""

from __future__ import annotations

import asyncio
import shutil
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
import pytest_asyncio

from benchd.arrangements.registry import ARRANGEMENTS, arrangement
from benchd.arrangements.wall import Wall
from benchd.bench.assembly import build
from benchd.bench.bench import Bench
from benchd.bench.notices import Notices
from benchd.bench.run_record import RunRecord
from benchd.cli import own_words
from benchd.cli.tables import finding as shown
from benchd.detectors import registry as detectors
from benchd.detectors.available import AvailableDetectors
from benchd.detectors.detector import NoKeys
from benchd.detectors.edge.detector import EdgeDetector
from benchd.detectors.values import Gear
from benchd.devices import Clock, Meter, Reading
from benchd.errors import BenchdError, Refused
from benchd.files.loading import load_bench
from benchd.files.problems import FileProblems
from benchd.procedures.library import Library
from benchd.questions import registry
from benchd.questions.answer import answer
from benchd.questions.evidence import Evidence, collect_evidence
from benchd.questions.flange import Flange
from benchd.questions.wording import Material
from benchd.records.store import Store
from tests.plain_text import text_of
from tests.plugins.conftest import installed

HERE = Path(__file__).parent
WORKSHOP = HERE.parents[1] / "configs" / "workshop" / "bench.yaml"

pytestmark = pytest.mark.asyncio(loop_scope="module")


def forget() -> None:
    for plugins in (registry.QUESTIONS, detectors.DETECTORS, ARRANGEMENTS):
        vars(plugins).pop("_points", None)
        plugins._fit.clear()


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
    return collect_evidence(bench, RunRecord("r-0001", "tries", "rail"), "0")


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


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("of_no_channel", "declares channels = ()"),
        ("of_no_device", "declares device"),
        ("auto", "has a name that none may have: auto"),
        ("later", "was written for version 2 of the interface"),
        ("halfway", "lacks capture and glance and measure"),
        ("gone", "cannot be loaded: AttributeError"),
        ("no_class", "is no detector: ill_behaved:answer is not a class of that kind"),
    ],
)
async def test_a_detector_that_is_none_is_refused_by_name(name: str, says: str) -> None:
    with pytest.raises(BenchdError) as caught:
        detectors.detector(name)
    assert says in caught.value.text
    assert f"The detector '{name}' of package ill-behaved 0.1.0" in caught.value.text
    assert [one.name for one in detectors.installed()] == ["edge", "meter", "level", "lingers", "stumbles"]


async def test_the_edge_detector_is_as_ever(bench: Bench) -> None:
    assert detectors.detector("edge") is EdgeDetector
    assert detectors.passed_over() == [
        "The detector 'edge' of package ill-behaved 0.1.0 is not used: it has the name of one of benchd's own."
    ]
    assert bench.detectors.chosen("auto", None).detector.name == "edge"


class Diode(Meter):
    """Never asked."""

    name, quantity, unit = "diode", "swing", "V"

    async def read(self) -> Reading:
        raise NotImplementedError


def on_a_meter() -> AvailableDetectors:
    some: Any = None
    Diode.__abstractmethods__ = frozenset()
    configs = {name: NoKeys() for name in ("lingers", "stumbles", "level")}
    return AvailableDetectors(configs, Gear(Diode(), "detector", some, None, some, some))  # type: ignore[abstract]


@pytest.mark.parametrize(
    ("name", "code", "says"),
    [
        ("stumbles", "device_fault", "The detector 'stumbles' of package ill-behaved 0.1.0 failed in __init__"),
        ("lingers", "device_fault", "answered point_s with 'long', which is no finite number"),
        ("gone", "device_fault", "cannot be loaded"),
        ("edge", "bad_request", "The detector 'edge' works on a camera, and another device has the role detector."),
        ("edges", "unknown_name", "There is no detector 'edges'."),
    ],
)
async def test_a_detector_that_cannot_be_used_is_refused_ahead_and_another_is_chosen(
    name: str, code: str, says: str
) -> None:
    available_detectors = on_a_meter()
    with pytest.raises(Refused) as caught:
        available_detectors.chosen(name, None)
    assert caught.value.code == code
    assert says in caught.value.text
    assert available_detectors.chosen("auto", None).detector.name == "level"


@pytest.mark.parametrize(
    ("section", "says"),
    [
        ("{edg: {}}", "detectors.edg = {}: the name of a detector. Did you mean 'edge'?"),
        ("{gone: {}}", "cannot be loaded"),
        ("{level: {}}", "a detector that works on the device in the role detector; this one works on a meter"),
        ("{edge: {lp_mm: 40}}", "detectors.edge.lp_mm"),
    ],
)
async def test_a_section_of_no_detector_of_this_bench_is_refused_at_its_line(
    tmp_path: Path, section: str, says: str
) -> None:
    folder = shutil.copytree(WORKSHOP.parent, tmp_path / "workshop")
    path = folder / "bench.yaml"
    text = path.read_text(encoding="utf-8").replace("\nmotion:", f"\ndetectors: {section}\nmotion:", 1)
    path.write_text(text, encoding="utf-8")
    line = text.splitlines().index(f"detectors: {section}") + 1
    with pytest.raises(FileProblems) as caught:
        build(load_bench(path))
    (problem,) = caught.value.problems
    assert problem.line == line
    assert says in str(problem)


async def test_a_section_where_nothing_detects_is_refused(tmp_path: Path) -> None:
    folder = shutil.copytree(WORKSHOP.parent, tmp_path / "workshop")
    path = folder / "bench.yaml"
    text = path.read_text(encoding="utf-8").replace("\nmotion:", "\ndetectors: {edge: {}}\nmotion:", 1)
    path.write_text(text.replace(" detector: view,", "", 1), encoding="utf-8")
    with pytest.raises(FileProblems, match="nothing where no device has the role detector"):
        build(load_bench(path))


def arranged(folder: Path, kind: str) -> Path:
    """A bench file with that arrangement."""
    shutil.copytree(WORKSHOP.parent, folder / "workshop")
    path = folder / "workshop" / "bench.yaml"
    text = path.read_text(encoding="utf-8")
    assert text.count("arrangement: wall ") == 1
    path.write_text(text.replace("arrangement: wall ", f"arrangement: {kind} "), encoding="utf-8")
    return path


async def test_an_arrangement_of_our_name_is_passed_over() -> None:
    assert arrangement("wall") is Wall
    (told,) = ARRANGEMENTS.passed_over()
    assert told.startswith("The arrangement 'wall' of package ill-behaved 0.1.0 is not used")


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("wordy", "declares cannot_tell = 'much'"),
        ("keyless", "keys that its `Config` takes, which failed: KeyError: 'deep'"),
        ("upside_down", "has a depth that falls as the carriage grows"),
    ],
)
async def test_an_arrangement_that_cannot_be_used_is_told_before_anything_is_opened(
    tmp_path: Path, kind: str, says: str
) -> None:
    loaded = load_bench(arranged(tmp_path, kind))
    with pytest.raises((FileProblems, BenchdError)) as caught:
        build(loaded)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("kind", "says"),
    [
        ("stumbling", "The arrangement 'stumbling' of package ill-behaved 0.1.0 failed: KeyError: 'lens'."),
        ("drifting", "The arrangement 'drifting' of package ill-behaved 0.1.0 answered offset_um with nan."),
    ],
)
async def test_what_an_arrangement_raises_costs_the_set_up_that_was_asked_for(
    tmp_path: Path, kind: str, says: str
) -> None:
    loaded = load_bench(arranged(tmp_path, kind))
    store = await Store.open("sqlite:///bench.db", tmp_path, Clock())
    bench = Bench(loaded, build(loaded), store, Notices(), Clock())

    async def set_up_and_look() -> None:
        await bench.setup.change({"lens": "L-0417", "adapters": ["ring-07"], "ring": "infinity"})
        bench.setup.chain.places.offset_um(9000.0)

    with pytest.raises(BenchdError) as caught:
        await set_up_and_look()
    assert (caught.value.code, caught.value.text) == ("device_fault", says)
    await bench.close()
    await store.close()
