"""What is asked for a bench file, in order: at a terminal one after another, and each by its key as `key=value`.

Where a person cannot know, the default is on the safe side, and the file says that it is a guess. Where a guess would
make findings wrong there is none: a length, a travel, a protocol.
"""

from __future__ import annotations

from benchd.commissioning.figure_questions import BASIS, BEGINNING
from benchd.commissioning.parts import cameras, carriage, lengths, lights, photodiode, rings, sensors

PARTS = (carriage, rings, lights, lengths, cameras, sensors, photodiode)
QUESTIONS = (*BEGINNING, *(question for part in PARTS for question in part.QUESTIONS), *BASIS)
BY_KEY = {question.key: question for question in QUESTIONS}
