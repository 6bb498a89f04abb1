"""What comes from outside steers no terminal: every sign that would is escaped, and nothing else is."""

from __future__ import annotations

import io
import json
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.text import Text

from benchd.cli.console import ShowingConsole
from benchd.remote.encoding import encode
from benchd.shown import Shown, bare, document_shown, in_one_line, shown, streams_shown

EVIL = "\x1b[31mred\x1b[0m \x9b2J \u202eback\u202c \u2066in\u2069 \x07\x00\x7f \u2028line \ud800 \r\rover"
SAFE = (
    "\\u001b[31mred\\u001b[0m \\u009b2J \\u202eback\\u202c \\u2066in\\u2069 \\u0007\\u0000\\u007f \\u2028line \\ud800 "
    "\\u000d\\u000dover"
)


def test_what_steers_is_escaped_and_what_is_read_is_not() -> None:
    assert shown(EVIL) == SAFE
    for whole in ("−10 µm ± 0,5 °C", "Größe 8 mm", "ключ", "光学", "a\nb", "[red]not markup[/red]", "C:\\u001b", ""):
        assert shown(whole) == whole
    assert in_one_line("ring\nVerdict PASS") == "ring\\u000aVerdict PASS"


@given(st.text())
def test_nothing_that_steers_is_left_and_showing_it_twice_is_showing_it_once(text: str) -> None:
    """Categories as the Unicode Standard, 4.5, gives them."""
    once = shown(text)
    assert {unicodedata.category(sign) for sign in once.replace("\n", "")}.isdisjoint({"Cc", "Cf", "Cs", "Zl", "Zp"})
    assert shown(once) == once
    assert "\n" not in in_one_line(text)


@given(st.dictionaries(st.text(), st.text()))
def test_json_that_is_shown_is_the_same_document(doc: dict[str, str]) -> None:
    """RFC 8259, 7: any character may be escaped, beyond the basic plane as a pair of surrogates."""
    assert json.loads(shown(json.dumps(doc, ensure_ascii=False))) == doc
    assert json.loads(encode(doc)) == doc


def test_what_goes_over_mqtt_steers_no_terminal_either() -> None:
    """`mosquitto_sub` prints what it hears."""
    raw = encode({"text": EVIL, "\x1bkey": 1}).decode()
    assert shown(raw) == raw
    assert json.loads(raw) == {"text": EVIL, "\x1bkey": 1}


def test_documents_are_shown_with_their_keys() -> None:
    assert document_shown({"a\x1b": ["b\n", {"c": ("d\x9b", 1, None)}]}) == {
        "a\\u001b": ["b\\u000a", {"c": ["d\\u009b", 1, None]}]
    }


def test_whatever_is_printed_within_is_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with streams_shown():
        print(EVIL)
        print(EVIL, file=sys.stderr)
        assert isinstance(sys.stdout, Shown)
        print("\x1b[1m", file=bare(sys.stdout), end="")
    out, err = capsys.readouterr()
    assert out == f"{SAFE}\n\x1b[1m"
    assert err == f"{SAFE}\n"
    assert not isinstance(sys.stdout, Shown)


def test_a_table_colours_the_terminal_and_its_words_do_not() -> None:
    file = io.StringIO()
    console = ShowingConsole(
        file=file, force_terminal=True, color_system="standard", width=200, markup=False, highlight=False
    )
    console.print(Text(EVIL.replace("\ud800", ""), style="bold"), "[red]name[/red]")
    said = file.getvalue()
    assert said.startswith("\x1b[1m"), "our own"
    assert "\x1b[31m" not in said
    assert "\\u001b[31mred" in said
    assert "[red]name[/red]" in said
    assert "\x9b" not in said
    assert "\u202e" not in said
