"""Links of different names that lead to one line: each would speak on it as if it were alone."""

from __future__ import annotations

from collections.abc import Mapping

from benchd.devices import Link
from benchd.files.loading import LoadedBench
from benchd.files.problems import Problem


def of_one_line(loaded: LoadedBench, links: Mapping[str, Link]) -> list[Problem]:
    """Each link whose end another before it has, at the key that states it."""
    problems: list[Problem] = []
    taken: dict[str, tuple[str, str]] = {}
    for name, link in links.items():
        if link.stated_end is None:
            continue
        key, end = link.stated_end
        other, other_key = taken.setdefault(end, (name, key))
        if other != name:
            why = (
                f"another end than links.{other}.{other_key}: two links to one line would speak into each other's "
                f"answers; give their devices the one link '{other}'"
            )
            problems.append(loaded.source.problem(("links", name, key), why))
    return problems
