"""What a closing press that agrees answers of what stands against a stroke, and what not."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.capture.blocks import Finding
from coilbench.capture.book.notes import (
    BORNE_OUT,
    CLOSING_DIFFERS,
    borne_out,
    closing_bears_out,
    counts_by_word,
    counts_in_doubt,
    note_of,
    standing,
    with_finding,
)

DIFFERS = Finding.of(CLOSING_DIFFERS, label="larch-01", moved_mm=-0.09, u_mm=0.02)
YES = Finding.of("accepted", label="larch-02")
SLIPPED = Finding("heights_said", {"why": {"kind": "slipped", "moved_mm": 0.3}})
LOWER = Finding.of("stop_was_lower", moved_mm=0.2)
GAUGE = Finding.of("gauge_said", height_mm=30.0, moved_mm=0.09, u_mm=0.03)
REPLACED = Finding("datum_replaced")
OTHER_SPRING = Finding.of("another_spring", label="larch-02")
AGREED = Finding.of(BORNE_OUT, label="larch-01", moved_mm=0.0, u_mm=0.02)
WEAK = Finding("weak")


@pytest.mark.parametrize(
    ("of", "shown"),
    [
        ([DIFFERS, YES], True),
        ([SLIPPED], True),
        ([LOWER], True),
        ([WEAK, SLIPPED, DIFFERS, YES], True),
        ([YES], False),  # nobody knows of what
        ([OTHER_SPRING, YES], False),
        ([REPLACED, YES], False),
        ([GAUGE], False),
        ([GAUGE, DIFFERS, YES], False),
        ([DIFFERS, YES, REPLACED, YES], False),
        ([DIFFERS], False),  # it does not count
        ([WEAK], False),
        ([], False),
        ([DIFFERS, YES, AGREED], False),  # as it is already
        ([GAUGE, AGREED, DIFFERS, YES], True),
    ],
)
def test_it_answers_what_it_measures_and_nothing_else(of, shown):
    assert closing_bears_out(note_of(of), []) is shown


@pytest.mark.parametrize("found", [SLIPPED, LOWER])
def test_it_says_nothing_of_what_stood_against_the_first_presses_already(found):
    at_first = standing(note_of([found]))  # as the book keeps it
    assert not closing_bears_out(note_of([found]), at_first)
    assert not closing_bears_out(note_of([found, DIFFERS, YES]), at_first)
    assert closing_bears_out(note_of([DIFFERS, YES]), at_first)


FOUND = st.lists(
    st.sampled_from([DIFFERS, YES, SLIPPED, LOWER, GAUGE, REPLACED, OTHER_SPRING, WEAK])
)


@given(FOUND)
def test_what_is_borne_out_is_in_doubt_no_more_till_something_new_stands_against_it(found):
    note = note_of(found)
    after = with_finding(note, AGREED)
    assert not counts_in_doubt(after)
    assert not counts_by_word(after)
    assert borne_out(after)
    assert not borne_out(note)
    assert counts_by_word(with_finding(after, SLIPPED))
    if closing_bears_out(note, []):
        assert counts_in_doubt(note)


@pytest.mark.parametrize("note", [None, "", "a text of old", '["a text"]', '{"kind": 7}'])
def test_a_text_of_older_books_tells_nothing(note):
    assert not closing_bears_out(note, [])
    assert not borne_out(note)
