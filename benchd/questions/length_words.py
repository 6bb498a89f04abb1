"""How lengths by gauge are printed."""

from benchd.questions.wording import Named

LENGTH_VALUES = {
    "length": Named("Length", signed=False),
    "carriage": Named("Carriage stood at", signed=False),
}
