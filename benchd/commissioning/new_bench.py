"""A new bench file: all answers put together, checked as `benchd check` does, and only then put in its place."""

from __future__ import annotations

import errno
import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from benchd.commissioning.bench_text import bench_text
from benchd.commissioning.question import Question
from benchd.commissioning.questions import BY_KEY, QUESTIONS
from benchd.commissioning.seen import SeenPort
from benchd.errors import Refused
from benchd.files.problems import FileProblems, Problem
from benchd.files.wording import ended, near_names


@dataclass
class Given:
    """What has been answered so far; `guessed` are the keys whose default was taken."""

    answers: dict[str, Any] = field(default_factory=dict)
    guessed: list[str] = field(default_factory=list)

    def text(self, ports: Sequence[SeenPort]) -> str:
        """The bench file, once every question is answered."""
        return bench_text(self.answers, ports, self.guessed)


def preset(words: Mapping[str, str]) -> dict[str, Any]:
    """Answers given as words, by key. Raises Refused (bad_request) for an unknown key, and for what will not do."""
    found = {}
    for key, typed in words.items():
        if key not in BY_KEY:
            near = near_names(key, BY_KEY, 1)
            hint = f"Did you mean '{near[0]}'?" if near else "`benchd new --keys` lists them all."
            raise Refused("bad_request", f"Nothing is asked by the name '{key}'.", advice=hint)
        try:
            found[key] = BY_KEY[key].read(typed.strip())
        except ValueError as wrong:
            raise Refused(
                "bad_request", f"{key}={typed}: {ended(str(wrong))}", advice=f"It is: {BY_KEY[key].text}."
            ) from None
    return found


def unasked(key: str) -> Refused:
    """The refusal of an answer to what is not asked after the others."""
    text = f"{key}: nothing is asked of that after the other answers."
    return Refused("bad_request", text, advice=f"It is: {BY_KEY[key].text}. Leave it out.")


def by_words(words: Mapping[str, str]) -> Given:
    """All answers: those given as words, and else the defaults. Raises Refused (bad_request) as `preset`, and for an
    answer to what is not asked, and for what has no default and was not given."""
    stated, given, missing = preset(words), Given(), list[Question]()
    for question in QUESTIONS:
        key = question.key
        if key in stated:
            if not question.applies(given.answers):
                raise missing_of(missing) if missing else unasked(key)
            given.answers[key] = stated[key]
        elif not question.applies(given.answers):
            continue
        elif question.default is None:
            missing.append(question)
        elif not missing and (typed := question.default_after(given.answers)) is not None:
            given.answers[key] = question.read(typed)
            given.guessed.append(key)
    if missing:
        raise missing_of(missing)
    return given


def missing_of(missing: Sequence[Question]) -> Refused:
    """The refusal where nobody can guess an answer."""
    listed = "\n".join(f"  {question.key}=..  {question.text}" for question in missing)
    advice = "Give them as key=value, or call it at a terminal, where it asks."
    return Refused("bad_request", f"Nobody can guess these:\n{listed}", advice=advice)


def checked(path: Path, text: str) -> tuple[list[Problem], tuple[str, ...]]:
    """What `benchd check` would say of this text at that place: its problems, and its notes.

    It is written beside the place for that, under a name that nobody reads, and taken away again. Raises OSError.
    """
    from benchd.procedures.read_bench import read_bench

    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        _write(beside, text)
        return [], tuple(note.replace(str(beside), str(path)) for note in read_bench(beside).notes)
    except FileProblems as wrong:
        return [_of(path, beside, problem) for problem in wrong.problems], ()
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _of(path: Path, beside: Path, problem: Problem) -> Problem:
    file = str(path) if problem.file == str(beside) else problem.file
    return Problem(file, problem.line, problem.column, problem.key, problem.stands, problem.allowed)


def put(path: Path, text: str, *, overwrite: bool) -> None:
    """Put the file in its place, whole or not at all. Raises Refused (bad_request) where one is there, OSError."""
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        _write(beside, text)
        if overwrite:
            beside.replace(path)
        else:
            _link(beside, path)
    except FileExistsError:
        raise already_there(path) from None
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _link(beside: Path, path: Path) -> None:
    """Unlike a rename this never replaces what appeared there meanwhile. Raises FileExistsError."""
    try:
        os.link(beside, path)
    except OSError as error:
        if error.errno not in (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP):
            raise
        if path.exists():  # a file system without links
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
        beside.replace(path)


def already_there(path: Path) -> Refused:
    """The refusal to write over a file."""
    advice = "Name another file, or say --overwrite."
    return Refused("bad_request", f"{path} is there already, and was left as it is.", advice=advice)


def _write(path: Path, text: str) -> None:
    with path.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
