"""Files that are no clean YAML mapping are refused with their place; clean ones come in as YAML 1.2 says."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchd.files.problems import FileProblems
from benchd.files.source import MAX_BYTES, load_yaml

SHIPPED = Path(__file__).parents[2] / "configs" / "workshop" / "bench.yaml"


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "bench.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def refusal(folder: Path, text: str | bytes) -> str:
    path = write(folder, text)
    with pytest.raises(FileProblems) as caught:
        load_yaml(path)
    assert caught.value.code == "bad_request"
    (problem,) = caught.value.problems
    return str(problem).replace(f"{folder}/", "")


# YAML 1.2.2, section 10.3.2 (core schema), its own example of tag resolution among them.
@pytest.mark.published
@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("null", None),
        ("", None),
        ("true", True),
        ("True", True),
        ("FALSE", False),
        ("0", 0),
        ("0o7", 7),
        ("0x3A", 58),
        ("-19", -19),
        ("0.", 0.0),
        ("-0.0", -0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        ("017", 17),
        ("on", "on"),
        ("yes", "yes"),
        ("12:30", "12:30"),
        ("1_000", "1_000"),
        ("2031-04-05", "2031-04-05"),
        ('"5"', "5"),
        ("'true'", "true"),
    ],
)
def test_scalars_follow_the_core_schema(tmp_path: Path, written: str, value: object) -> None:
    read = load_yaml(write(tmp_path, f"a: {written}\n")).data["a"]
    assert read == value
    assert type(read) is type(value)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "bench.yaml:1:1 = an empty file: keys with their values, the first of which says what the file is"),
        (
            "# only a comment\n",
            "bench.yaml:1:1 = an empty file: keys with their values, the first of which says what the file is",
        ),
        (
            "- a\n- b\n",
            "bench.yaml:1:1 = a list of 2: keys with their values, the first of which says what the file is",
        ),
        ("a: 1\nb: 2\na: 3\n", "bench.yaml:3:1 a = 3: this key stands already on line 1"),
        ("x: {p: 1,\n    p: 2}\n", "bench.yaml:2:5 x.p = 2: this key stands already on line 1"),
        ("a: &one 1\nb: *one\n", "bench.yaml:1:4 a = one: anchors and aliases are not allowed; write the value out"),
        ("a: !!int 1\n", "bench.yaml:1:4 a = tag:yaml.org,2002:int: tags are not allowed"),
        ("a: .nan\n", "bench.yaml:1:4 a = '.nan': a finite number"),
        ("a: [1, -.inf]\n", "bench.yaml:1:8 a[1] = '-.inf': a finite number"),
        ("a: 1e400\n", "bench.yaml:1:4 a = '1e400': a finite number"),
        ("a: 1\n---\nb: 2\n", "bench.yaml:2:1: one document a file; a second one begins here"),
        ("a: 1\nb: 200", "bench.yaml:2:7 = 'b: 200': a line break at the end; without one the file may be cut off"),
        ("? [a, b]\n: 1\n", "bench.yaml:1:3: a key is a plain word"),
    ],
)
def test_what_is_ambiguous_or_unsafe_is_refused_at_its_place(tmp_path: Path, text: str, said: str) -> None:
    assert refusal(tmp_path, text) == said


def test_a_truncated_file_names_the_line_where_it_ends(tmp_path: Path) -> None:
    whole = "bench: north-rail\ndevices:\n  stage: {driver: gcode_axis, letter: Z}\n"
    said = refusal(tmp_path, whole[:-10])
    assert said.startswith("bench.yaml:3:"), said
    assert "not YAML" in said


def keys_with_colons() -> list[tuple[int, str]]:
    """Each line of the shipped bench file that begins with a key, by its number and without its colon."""
    lines = SHIPPED.read_text(encoding="utf-8").splitlines()
    found = [(number, re.match(r"( *[a-z]\w*):(.*)", line)) for number, line in enumerate(lines, 1)]
    return [(number, match[1] + match[2]) for number, match in found if match]


@pytest.mark.parametrize(("line", "without"), keys_with_colons())
def test_a_missing_colon_is_told_at_its_own_line(tmp_path: Path, line: int, without: str) -> None:
    """One on line 8 was reported at line 12, where the next key stands."""
    lines = SHIPPED.read_text(encoding="utf-8").splitlines(keepends=True)
    lines[line - 1] = without + "\n"
    if re.match(r"\w+ \{\w+: [\w.]+\}", without):  # YAML all the same: an unknown key
        assert load_yaml(write(tmp_path, "".join(lines)))
        return
    said = refusal(tmp_path, "".join(lines))
    assert said.startswith(f"bench.yaml:{line}:"), said
    key = re.match(r" *(\w+)", without)
    assert key is not None
    assert f"no colon after '{key[1]}'" in said


def test_bytes_that_are_not_utf_8_are_named_by_line_and_byte(tmp_path: Path) -> None:
    assert refusal(tmp_path, b"a: 1\nb: caf\xe9\n") == "bench.yaml:2:7 = byte 0xe9: text in UTF-8"
    assert refusal(tmp_path, "a: 1\n".encode("utf-16")) == "bench.yaml:1:1 = byte 0xff: text in UTF-8"


def test_large_and_missing_files_are_refused_unread(tmp_path: Path) -> None:
    assert refusal(tmp_path, "a: " + "x" * MAX_BYTES) == "bench.yaml: larger than 256 KiB"
    with pytest.raises(FileProblems, match="there is no such file"):
        load_yaml(tmp_path / "absent.yaml")


# No permission is no hindrance to root; what Linux opens to nobody, or only to be refused, is one to all.
@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("folder.yaml", "Is a directory"),
        ("file/bench.yaml", "Not a directory"),
        ("loop.yaml", "Too many levels of symbolic links"),
        ("memory.yaml", "Input/output error"),
        (f"{'a' * 300}.yaml", "File name too long"),
    ],
)
def test_a_file_that_cannot_be_read_is_named_with_the_reason(tmp_path: Path, name: str, why: str) -> None:
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "file").write_text("")
    (tmp_path / "loop.yaml").symlink_to("loop.yaml")
    (tmp_path / "memory.yaml").symlink_to("/proc/self/mem")
    with pytest.raises(FileProblems) as caught:
        load_yaml(tmp_path / name)
    (problem,) = caught.value.problems
    assert str(problem) == f"{tmp_path / name}: cannot be read ({why})"


@pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
def test_deep_nesting_is_refused_before_it_costs_anything(tmp_path: Path, opening: str) -> None:
    assert "nested deeper than 16 levels" in refusal(tmp_path, "a:\n  " + opening * 20000)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=200), st.text(alphabet="ab:-[]{}\"'&*!|>%@`,#? \n\t01.e", max_size=80)))
def test_no_bytes_get_anything_out_of_the_reader_but_a_mapping_or_problems(tmp_path: Path, raw: bytes | str) -> None:
    try:
        source = load_yaml(write(tmp_path, raw))
    except FileProblems as error:
        found = len(error.problems)
    else:
        found = len(source.data)
    assert found
