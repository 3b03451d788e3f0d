"""Text is written so that it can only be read as text, and a command so that it can be typed."""

from __future__ import annotations

import json
import shlex
import sys
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.capture.plain import as_typed, is_plain, plain, plain_line, writable

# Unicode Standard, chapter 4, table 4-4: what is no sign on the page.
UNSEEN = ("Cc", "Cf", "Cs", "Zl", "Zp")


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("larch-01 ± 山 e\u0301", "larch-01 ± 山 e\u0301"),
        ("two\nlines", "two\nlines"),
        ("\x1b[2J", r"\u001b[2J"),
        ("a\tb\r", r"a\u0009b\u000d"),
        ("\x9b31m\x7f", r"\u009b31m\u007f"),
        ("\u202e10\u2066", r"\u202e10\u2066"),
        ("\udcff", r"\udcff"),
        ("\U000e0001", r"\udb40\udc01"),
    ],
)
def test_what_steers_or_hides_is_made_visible(text: str, shown: str) -> None:
    assert plain(text) == shown
    assert plain_line(text) == shown.replace("\n", r"\u000a")
    assert is_plain(text) == (plain_line(text) == text)


@given(st.text())
def test_nothing_unseen_is_left_and_nothing_seen_is_touched(text: str) -> None:
    shown = plain(text)
    assert not [each for each in shown if unicodedata.category(each) in UNSEEN and each != "\n"]
    seen = [each for each in text if unicodedata.category(each) not in UNSEEN or each == "\n"]
    assert shown == text or len(shown) > len(text)
    assert not is_plain(text) or shown == text == "".join(seen)


@given(st.dictionaries(st.text(), st.text()), st.sampled_from(["utf-8", "ascii", "iso8859-1"]))
def test_a_json_document_holds_the_same_values(document: dict[str, str], encoding: str) -> None:
    text = writable(plain(json.dumps(document, ensure_ascii=False, indent=2)), encoding)
    assert json.loads(text.encode(encoding).decode(encoding)) == document


def test_what_an_encoding_lacks_is_written_as_near_as_can_be() -> None:
    assert writable("20 ± 1 mm … 山", "ascii") == "20 +/- 1 mm ... \\u5c71"
    assert writable("20 ± 1 mm", "iso8859-1") == "20 ± 1 mm"


@given(st.text().filter(lambda text: "\x00" not in text))
def test_a_word_of_a_command_is_one_word_for_a_shell(word: str) -> None:
    assert shlex.split(as_typed(word, "linux")) == [word]


@pytest.mark.parametrize(
    ("word", "typed"),
    [("larch-01", "larch-01"), (r"C:\b.db", r"C:\b.db"), ("a b", '"a b"'), ("a&b", '"a&b"'),
     ('a"b', '"a""b"'), ("", '""')],
)  # fmt: skip
def test_on_windows_double_quotes(word: str, typed: str) -> None:
    assert as_typed(word, "win32") == typed
    assert as_typed("larch", sys.platform) == "larch"
