"""`benchd do`: one command to the bench, its arguments as key=value."""

from __future__ import annotations

import argparse
import json
import secrets
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from benchd.cli import exits, options

if TYPE_CHECKING:
    from benchd.client import BenchClient
    from benchd.verbs.verb import Verb

SETTLED_S = 0.35


def arguments(parser: argparse.ArgumentParser) -> None:
    """The verb and its arguments."""
    parser.set_defaults(parser=parser)
    parser.add_argument("-h", "--help", action="store_true", help="of a verb: what it takes, with units and bounds")
    parser.add_argument(
        "verb",
        nargs="?",
        help="what is asked; `benchd do --help` lists all there is, `benchd do VERB --help` what one takes",
    )
    parser.add_argument(
        "pairs",
        nargs="*",
        default=[],
        metavar="key=value",
        help="carriage_um=9000, by_um='-10 um', level=0.4, adapters=ring-07,gap-03, m=0.0101+-0.00001 (value+-u)",
    )
    parser.add_argument(
        "--wait",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="wait until a motion or sweep has ended (default)",
    )
    options.reach(parser)
    options.output(parser)


def run(args: argparse.Namespace) -> int:
    """0 done, 1 refused, 3 fault, 4 a sweep whose verdict is fail or undecided."""
    if args.verb == "stop" and not args.help:
        from benchd.cli import stop

        # A stop is sent at once: neither other arguments nor slow imports may delay it.
        args.axis = next((word.removeprefix("axis=") for word in args.pairs if word.startswith("axis=")), None)
        return stop.run(args)
    if args.verb is None and not args.help:
        args.parser.error("the following arguments are required: verb")
    if args.verb is None:
        args.parser.print_help()
        print(f"\nverbs:\n{_verbs()}")
        raise SystemExit(exits.DONE)
    from benchd.cli.guard import UsageError
    from benchd.cli.speak import with_bench
    from benchd.cli.typed import keys_of
    from benchd.cli.values import pairs
    from benchd.files.wording import near_names
    from benchd.verbs.table import VERBS

    if args.help and args.verb in ("stop", *VERBS):
        from benchd.cli.verb_help import page

        print(page(args.verb), end="")
        return exits.DONE
    if args.verb not in VERBS:
        near = near_names(args.verb, ("stop", *VERBS), 1)
        suggestion = f"did you mean '{near[0]}'?" if near else f"there are stop, {', '.join(VERBS)}"
        raise UsageError(f"there is no verb '{args.verb}'; {suggestion}")
    verb = VERBS[args.verb]
    texts, lists = keys_of(*(model for model in (verb.args, verb.step) if model is not None))
    given = pairs(args.pairs, texts=texts, lists=lists)
    if args.verb == "setup":
        given = _of_setup(given, verb.args.model_fields)
    return with_bench(args, lambda bench: _do(args, bench, given))


def _verbs() -> str:
    """All verbs, a line each."""
    from benchd.verbs.stop import DOES
    from benchd.verbs.table import VERBS

    does = {"stop": DOES, **{name: verb.does for name, verb in VERBS.items()}}
    return "\n".join(f"  {name:<{max(map(len, does))}}  {sentence}" for name, sentence in does.items())


def _of_setup(given: dict[str, Any], own: Collection[str]) -> dict[str, Any]:
    """Typed set-up keys (`lens=..`) moved under `set`, as in the contract, beside the verb's own keys."""
    stated = {key: value for key, value in given.items() if key not in own}
    rest = {key: value for key, value in given.items() if key in own}
    if isinstance(rest.get("set"), dict):
        stated = rest["set"] | stated
    return rest | {"set": stated}


async def _do(args: argparse.Namespace, bench: BenchClient, given: dict[str, Any]) -> int:
    from benchd.cli.typed import in_typed_words
    from benchd.errors import Refused
    from benchd.verbs.table import VERBS

    # There is only one run at a time, so it need not be named.
    if "run" in VERBS[args.verb].args.model_fields and "run" not in given:
        given["run"] = await _the_run(bench, args.verb)
    try:
        return await _ask(args, bench, given)
    except Refused as refused:
        raise in_typed_words(args.verb, refused) from None


async def _the_run(bench: BenchClient, verb: str) -> str:
    """The present run, for a command that names none. Raises Refused('not_found')."""
    from benchd.cli.following import ENDED
    from benchd.errors import Refused

    doc = await bench.kept("procedure")
    run = doc.get("run")
    if run is None or (verb != "note" and doc["state"] in ENDED):
        raise Refused("not_found", f"There is no run to {verb}.", advice="`benchd show run` tells of the last one.")
    return str(run)


async def _ask(args: argparse.Namespace, bench: BenchClient, given: dict[str, Any]) -> int:
    from benchd.cli.speak import take_control
    from benchd.verbs.table import VERBS

    verb = VERBS[args.verb]
    asked = _parsed_arguments(verb, given)
    if asked is not None and verb.control.applies(asked):
        await take_control(bench)
    takes_time = asked is not None and verb.takes_time(asked)
    waits = args.wait and takes_time
    if args.verb == "sweep" and waits:
        return await _sweep(args, bench, given)
    if not waits:
        result = await bench.command(args.verb, **given)
        return _print_result(
            args, result, "accepted" if takes_time or (verb.begins and not given.get("dry")) else "done"
        )
    from benchd.cli.interrupts import stopping

    async with stopping(bench, "Ctrl-C again leaves without waiting."):
        data = await bench.do(args.verb, **given)
    place = await _carriage_after_motion(bench)
    return _print_result(args, {key: value for key, value in data.items() if key != "verb"} | place)


def _parsed_arguments(verb: Verb[Any], given: dict[str, Any]) -> Any:
    """The arguments as the verb's model; None if they are invalid: the bench then refuses them, with the reason."""
    from pydantic import ValidationError

    try:
        return verb.args.model_validate(given)
    except ValidationError:
        return None


async def _sweep(args: argparse.Namespace, bench: BenchClient, given: dict[str, Any]) -> int:
    from benchd.cli.following import watch_all
    from benchd.cli.run import follow, print_outcome

    ident, watch = secrets.token_hex(6), watch_all(bench)
    started = await bench.command("sweep", ident=ident, **given)
    return print_outcome(await follow(bench, watch, str(started["run"]), ident), as_json=args.json)


async def _carriage_after_motion(bench: BenchClient) -> dict[str, Any]:
    """The carriage position after the motion."""
    import asyncio

    # The end event may arrive before the state, which is polled five times a second at rest and published on change.
    await asyncio.sleep(SETTLED_S)
    doc: Mapping[str, Any] = await bench.kept("device/carriage")
    return {key: doc.get(key) for key in ("carriage_um", "depth_um", "offset_um", "homed")}


def _print_result(args: argparse.Namespace, result: Mapping[str, Any], became: str = "done") -> int:
    from benchd.cli import set_up_said
    from benchd.cli.console import out

    if args.json:
        print(json.dumps({"ok": True, "result": result}, ensure_ascii=False))
        return exits.DONE
    if args.verb == "setup" and set_up_said.has_outcome(result):
        print(f"{args.verb}: {became}; {set_up_said.head(result)}.{_followed_position(result)}")
        out().print(set_up_said.table(result))
        return exits.DONE
    sentences = result.get("beside_stated", ())
    print(f"{args.verb}: {became}{_said({key: result[key] for key in result if key != 'beside_stated'})}.")
    for sentence in sentences:
        print(sentence)
    return exits.DONE


def _followed_position(result: Mapping[str, Any]) -> str:
    """The carriage position, if it has followed."""
    from benchd.reports import numbers as say

    place = result.get("carriage_um")
    return "" if place is None else f" The carriage stands at {say.number(place, 1)} \u00b5m."


def _said(result: Mapping[str, Any]) -> str:
    from benchd.cli.lines import clock, name_of, plain
    from benchd.reports.numbers import short, unit

    if {"value", "unit", "t"} <= set(result):
        return f"; {short(result['value'])} {unit(result['unit'])}, {result['quality']}, at {clock(result['t'])}"
    values = ", ".join(f"{name_of(key)} {plain(value, key)}" for key, value in result.items() if value is not None)
    return f"; {values}" if values else ""
