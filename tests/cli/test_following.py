"""What a run comes to: which findings, which chain, which exit code; and what is typed at its questions."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from benchd.cli import exits
from benchd.cli.following import Following, Outcome
from benchd.cli.guard import UsageError
from benchd.cli.prompts import Aborting, offered, parsed
from benchd.cli.run import code_of
from benchd.client import Watch
from benchd.errors import BenchdError


def finding(
    run: str = "r-0001", setup: int = 7, lens: str | None = "L-0417", verdict: str | None = None
) -> dict[str, Any]:
    judged = None if verdict is None else {"is": verdict}
    return {"assessment": "flange", "run": run, "setup": setup, "lens": lens, "verdict": judged}


def state(name: str, run: str = "r-0001") -> dict[str, Any]:
    return {"run": run, "state": name}


async def followed(*said: tuple[str, Any]) -> Outcome:
    watch = Watch("#", 100)
    for topic, doc in said:
        watch.push(topic, doc)
    return await asyncio.wait_for(Following(watch, "r-0001", "c81").to_the_end(), 20.0)


TERM = {"term": "carriage"}
DONE = ("event", {"code": "done", "cause": "c81"})


async def test_it_gathers_what_is_its_own_until_the_end_was_told() -> None:
    second = finding(setup=8)
    outcome = await followed(
        ("finding/flange", finding(run="r-0000")),  # kept from another run
        ("setup", {"rev": 7, "chain": [TERM]}),
        ("procedure", state("done", run="r-0000")),
        ("procedure", state("running")),
        ("finding/flange", finding()),
        ("setup", {"rev": 8, "chain": [{"term": "base"}]}),
        ("finding/flange", second),
        ("event", {"code": "done", "cause": "other"}),
        DONE,
        ("procedure", state("done")),
    )
    assert outcome.state == "done"
    assert list(outcome.findings.values()) == [second]
    assert outcome.as_json()["chain"] == [{"term": "base"}]


async def test_a_finding_that_comes_right_after_the_end_is_not_lost() -> None:
    outcome = await followed(DONE, ("procedure", state("done")), ("finding/flange", finding()))
    assert len(outcome.findings) == 1


async def test_a_chain_that_was_not_heard_is_not_made_up() -> None:
    outcome = await followed(("setup", {"rev": 9, "chain": [TERM]}), ("finding/flange", finding()), DONE,
                             ("procedure", state("done")))  # fmt: skip
    assert outcome.chain_of(finding()) == []
    assert outcome.chain_of(finding(setup=9, lens=None)) == []
    assert outcome.chain_of(finding(setup=9)) == [TERM]


async def test_a_connection_that_is_lost_is_told() -> None:
    watch = Watch("#", 100)
    watch.push("procedure", state("running"))
    watch.end(BenchdError("timeout", "The connection to the broker is lost."))
    with pytest.raises(BenchdError, match="lost"):
        await Following(watch, "r-0001", "c81").to_the_end()


@pytest.mark.parametrize(
    ("state", "verdicts", "event", "code"),
    [
        ("done", [], "done", exits.DONE),
        ("done", [None], "done", exits.DONE),
        ("done", ["pass"], "done", exits.DONE),
        ("done", ["fail"], "done", exits.NOT_PASSED),
        ("done", ["undecided"], "done", exits.NOT_PASSED),
        ("done", ["pass", "fail"], "done", exits.NOT_PASSED),
        ("aborted", ["pass"], "stopped", exits.REFUSED),
        ("failed", [], "not_found", exits.REFUSED),
        ("failed", ["pass"], "device_fault", exits.FAULT),
        ("failed", [], "disk_full", exits.FAULT),
    ],
)
def test_the_exit_code_tells_how_it_ended_then_what_it_found(
    state: str, verdicts: list[str | None], event: str, code: int
) -> None:
    findings = {str(i): finding(verdict=one) for i, one in enumerate(verdicts)}
    assert code_of(Outcome("r-0001", state, dict(findings), {}, {"code": event})) == code


def ask(kind: str, **more: Any) -> dict[str, Any]:
    return {"ask": "a-55", "kind": kind, "text": "?", "choices": [], "unit": None, **more}


CHOICE = ask("choice", choices=["5 more", "leave"])


@pytest.mark.parametrize(
    ("question", "typed", "answer"),
    [
        (ask("confirm"), "\n", True),
        (ask("confirm"), " Yes\n", True),
        (ask("yes_no"), "y\n", True),
        (ask("yes_no"), "No\n", False),
        (CHOICE, "2\n", "leave"),
        (CHOICE, "5 more\n", "5 more"),
        (ask("number", unit="mm"), "2 ft\n", 609.6),
        (ask("number", unit="mm"), "5012\n", 5012),
        (ask("number"), "-1.5e-3\n", -0.0015),
        (ask("mark"), "\n", "sharp"),
        (ask("text"), "abort\n", "abort"),
    ],
)
def test_what_is_typed_becomes_the_answer(question: dict[str, Any], typed: str, answer: Any) -> None:
    found = parsed(question, typed)
    assert found == (pytest.approx(answer) if isinstance(answer, float) else answer)
    assert isinstance(found, bool) is isinstance(answer, bool)


@pytest.mark.parametrize(
    ("question", "typed"),
    [
        (ask("confirm"), "no"),
        (ask("yes_no"), ""),
        (CHOICE, "3"),
        (CHOICE, "0"),
        (CHOICE, "²"),
        (CHOICE, ""),
        (ask("number"), "true"),
        (ask("number"), ""),
        (ask("number", unit="mm"), "5 kg"),
        (ask("mark"), "blurred"),
    ],
)
def test_what_is_no_answer_is_asked_again(question: dict[str, Any], typed: str) -> None:
    with pytest.raises(UsageError):
        parsed(question, typed)


@pytest.mark.parametrize("question", [ask("confirm"), ask("yes_no"), CHOICE, ask("number"), ask("mark")])
def test_any_question_but_a_text_may_be_answered_by_ending_the_run(question: dict[str, Any]) -> None:
    assert "abort" in offered(question)
    with pytest.raises(Aborting):
        parsed(question, "Abort\n")


def test_a_choice_is_shown_as_number_equals_words() -> None:
    """Without a sign between them, "1 5 more" reads as fifteen of something."""
    assert offered(CHOICE) == "1 = 5 more, 2 = leave; or abort"
