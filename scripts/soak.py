"""Hours of use and misuse of a whole bench in virtual time, under rules that always hold.

Daemon, simulated hardware, broker and clients run in one process, each history from one number. A history that breaks
a rule is cut down to the fewest steps that still break it, and kept as a file that `--replay` runs again.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT)]

from soak_histories import Asked, keep, soaked  # noqa: E402 - found from here on
from soak_mutants import caught  # noqa: E402
from soak_plot import drawn_over_time  # noqa: E402
from tests.virtual.play import play  # noqa: E402
from tests.virtual.schedule import kept  # noqa: E402

ALONE = {"--replay", "--mutants"}
"""What is called with nothing else: a schedule has its own seed, and each mutant its minute."""


def main() -> int:
    """0 when every rule held, 1 when one was broken, 2 for a wrong call."""
    args = _arguments()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    if args.mutants:
        return caught(args.mutants if isinstance(args.mutants, str) else None)
    if args.replay:
        return _replay(args.replay)
    asked = Asked(args.hours, args.seed, args.faults, args.curves, args.processes)
    try:
        broken, judged = soaked(asked)
    except KeyboardInterrupt:
        print("Broken off.", file=sys.stderr)
        return 1
    for seed, outcome in broken[:3]:
        keep(args.out, asked, seed, outcome)
    return 0 if judged and not broken else 1


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="scripts/soak", description=__doc__)
    parser.add_argument("--hours", type=_positive, default=1.0, help="virtual hours (default 1)")
    parser.add_argument("--seed", type=int, default=1, help="the first of the numbers that histories are drawn from")
    parser.add_argument(
        "--faults", action=argparse.BooleanOptionalAction, default=True, help="without: people alone, nothing breaks"
    )
    parser.add_argument(
        "--curves", action="store_true", help="the bench reads its sharpness from a photodiode, and takes no pictures"
    )
    parser.add_argument(
        "--processes", type=_count, default=os.cpu_count() or 1, help="side by side (default: one for each core)"
    )
    parser.add_argument("--out", type=Path, default=Path("soak"), help="folder for what broke a rule (default soak)")
    parser.add_argument("--replay", type=Path, metavar="FILE", help="run a kept schedule again")
    parser.add_argument(
        "--mutants", nargs="?", const=True, metavar="NAME", help="is each small edit of a guard caught?"
    )
    given = {word.partition("=")[0] for word in sys.argv[1:] if word.startswith("--")}
    if (alone := given & ALONE) and len(given) > 1:
        parser.error(f"{alone.pop()} goes with no other option")
    return parser.parse_args()


def _positive(text: str) -> float:
    if not 0.0 < (value := float(text)) < 1e6:
        raise argparse.ArgumentTypeError(f"{text} is no number of hours")
    return value


def _count(text: str) -> int:
    if (value := int(text)) < 1:
        raise argparse.ArgumentTypeError("at least one is needed")
    return value


def _replay(file: Path) -> int:
    try:
        schedule = kept(file.read_text(encoding="utf-8"))
        outcome = play(schedule.steps, schedule.seed, curves=schedule.curves)
    except (OSError, ValueError) as error:
        print(f"{file}: {error}", file=sys.stderr)
        return 2
    for one in outcome.broken:
        print(one)
    if not outcome.broken:
        print(f"Every rule held in {outcome.seconds:.1f} s.")
    file.with_suffix(".tsv").write_text("\n".join(outcome.lines) + "\n", encoding="utf-8")
    drawn_over_time(outcome.lines, file.with_suffix(".png"))
    print(f"{file.with_suffix('.tsv')} and {file.with_suffix('.png')} show what was said and done.")
    return 1 if outcome.broken else 0


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(prefix="benchd-soak-") as runtime:
        os.environ["XDG_RUNTIME_DIR"] = runtime
        code = main()
    sys.exit(code)
