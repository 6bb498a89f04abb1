"""`benchd run`: a procedure from its inputs to its findings."""

from __future__ import annotations

import argparse
import json
import re
import secrets
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.cli.following import Outcome
    from benchd.client import BenchClient, Watch

SHOWN = frozenset({"calibrated", "homed", "paused", "resumed", "withdrawn"})
"""Events worth a line although nothing is wrong."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """The procedure and its inputs."""
    parser.add_argument("procedure", help="such as flange_check; `benchd status --json` lists them all")
    parser.add_argument(
        "inputs",
        nargs="*",
        default=[],
        metavar="key=value",
        help="lens=L-0417 adapters=ring-07 glass=pane-25 distance_mm='5 m'",
    )
    parser.add_argument("--dry", action="store_true", help="only say what it would do; nothing moves")
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 done, 1 refused, aborted or left, 3 failed, 4 a verdict of fail or undecided."""
    from benchd.cli.speak import with_bench

    if any(_has_unit(word) for word in args.inputs):
        from benchd.quantities import length

        # Slow imports come before a beat is received: on a busy machine it would be too old afterwards.
        length("1 mm", "um")
    return with_bench(args, lambda bench: _run(args, bench))


def _has_unit(word: str) -> bool:
    return re.search(r"[0-9] *[a-zA-Z\u00b5\u03bc'\"]", word.partition("=")[2]) is not None


async def _run(args: argparse.Namespace, bench: BenchClient) -> int:
    from benchd.cli.inputs import from_words
    from benchd.cli.speak import take_control

    inputs = from_words(args.inputs, (await described(bench, args.procedure))["inputs"])
    if args.dry:
        plan = await bench.command("run", beat=False, procedure=args.procedure, inputs=inputs, dry=True)
        _print_plan(plan, as_json=args.json)
        return exits.REFUSED if plan.get("problems") else exits.DONE
    await take_control(bench)
    outcome = await run_to_the_end(bench, args.procedure, inputs, secrets.token_hex(6))
    return print_outcome(outcome, as_json=args.json)


async def run_to_the_end(bench: BenchClient, procedure: str, inputs: Mapping[str, Any], ident: str) -> Outcome:
    """Start a run as the command `ident`, and follow it. Raises BenchdError, KeyboardInterrupt."""
    from benchd.cli.following import watch_all

    watch = watch_all(bench)
    started = await bench.command("run", ident=ident, procedure=procedure, inputs=inputs)
    return await follow(bench, watch, str(started["run"]), ident)


async def described(bench: BenchClient, name: str) -> Mapping[str, Any]:
    """What the bench says of a procedure. Raises Refused('unknown_name') with the nearest name."""
    from benchd.errors import Refused
    from benchd.files.wording import READ_AT_START, near_names

    known: Mapping[str, Any] = (await bench.kept("about"))["procedures"]
    if name not in known:
        near = near_names(name, known, 1)
        suggestion = f"Did you mean '{near[0]}'?" if near else f"Known: {', '.join(known)}."
        raise Refused("unknown_name", f"There is no procedure '{name}'.", advice=f"{suggestion} {READ_AT_START}")
    found: Mapping[str, Any] = known[name]
    return found


def _print_plan(plan: Mapping[str, Any], *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(plan, ensure_ascii=False))
        return
    from benchd.cli.console import out
    from benchd.cli.plans import plan_table

    out().print(plan_table(plan))


async def follow(bench: BenchClient, watch: Watch, run_id: str, ident: str) -> Outcome:
    """Follow a run to its end, with bar, questions and Ctrl-C. Raises BenchdError, KeyboardInterrupt."""
    from benchd.cli.following import Following
    from benchd.cli.interrupts import stopping
    from benchd.cli.lines import event
    from benchd.cli.progress import Bar
    from benchd.cli.prompts import Prompter
    from benchd.errors import BenchdError

    following, bar, prompter = Following(watch, run_id, ident), Bar(), Prompter(bench, run_id)

    paused = False

    def state(doc: Mapping[str, Any]) -> None:
        nonlocal paused
        bar.take(doc)
        if doc.get("state") == "paused" and not paused:
            goes_on, ends = f"`benchd do resume run={run_id}` goes on", f"`benchd do abort run={run_id}` ends it"
            bar.say(f"{run_id} is paused: {goes_on}, {ends}.")
        paused = doc.get("state") == "paused"
        prompter.hear(doc.get("ask"))

    def on_event(doc: Mapping[str, Any]) -> None:
        # The end event of the run is printed with its outcome.
        if doc.get("cause") != ident and (doc.get("severity") != "info" or doc.get("code") in SHOWN):
            bar.say(event(doc))

    following.on_state, following.on_event = state, on_event
    try:
        async with stopping(bench, "Ctrl-C again leaves."):
            return await following.to_the_end()
    except BenchdError as error:
        error.advice = error.advice or f"Whether {run_id} goes on is not known here: `benchd status`."
        raise
    finally:
        bar.close()
        await prompter.close()


def print_outcome(outcome: Outcome, *, as_json: bool) -> int:
    """The findings of a run that has ended; gives the exit code."""
    if as_json:
        print(json.dumps(outcome.as_json(), ensure_ascii=False))
    else:
        import sys

        from benchd.cli.console import out
        from benchd.cli.prose import wrapped
        from benchd.cli.tables import finding_in_short

        for doc in outcome.findings.values():
            out().print(finding_in_short(doc))
        sentence = f"Run {outcome.run} is {outcome.state}." if outcome.state == "done" else why_ended(outcome)
        print(wrapped(sentence, sys.stdout))
    return code_of(outcome)


def why_ended(outcome: Outcome) -> str:
    """Why a run did not come to its end."""
    event = outcome.event or {}
    if event.get("code") == "stopped":
        text = str(event["text"])  # aborted or stopped, which run and by whom
        return text if outcome.state == "aborted" else f"{text.rstrip('.')}: it has failed."
    advice = f"\n{event['advice']}" if event.get("advice") else ""
    return f"Run {outcome.run} failed: {event.get('text')} ({event.get('code')}){advice}"


def code_of(outcome: Outcome) -> int:
    """The exit code: the end state of the run takes precedence over its findings."""
    from benchd.cli.guard import FAULTS

    if outcome.state != "done":
        return exits.FAULT if (outcome.event or {}).get("code") in FAULTS else exits.REFUSED
    verdicts = [doc["verdict"] for doc in outcome.findings.values() if doc["verdict"] is not None]
    return exits.NOT_PASSED if any(verdict["is"] != "pass" for verdict in verdicts) else exits.DONE
