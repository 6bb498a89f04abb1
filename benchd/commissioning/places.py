"""Which question's answer stands at a place of the file, so that a problem leads back to it."""

from __future__ import annotations

import re

from benchd.commissioning import figure_questions
from benchd.commissioning.question import Answers
from benchd.commissioning.questions import PARTS

AT: dict[str, tuple[str, ...]] = {}
"""The keys of questions by place, in the order in which they are tried."""
for _part in (figure_questions, *PARTS):
    for _key, _places in _part.PLACES.items():
        for _place in _places:
            AT[_place] = (*AT.get(_place, ()), _key)


def question_of(key: str, answers: Answers) -> str | None:
    """The key of the question whose answer stands at a dotted key of the file, if one does: of the whole device where
    nobody was asked for that key. Only what was answered with something counts."""
    place = re.sub(r"^mounts\.[^.]+", "mounts.*", re.sub(r"\[\d+\]", "", key))
    while place:
        for asked in AT.get(place, ()):
            if answers.get(asked) is not None:
                return asked
        place = place.rpartition(".")[0]
    return None
