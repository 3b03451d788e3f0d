"""Commands as plain values: what was asked comes through, anything else is refused in words."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import LONGEST_GAUGE_MM, LONGEST_TEXT, Action, Command

# What `str.isprintable` takes: all but "other" and "separator" of Unicode's categories, and blanks.
printable = st.characters(exclude_categories=("C", "Z")) | st.just(" ")
texts = st.text(printable, max_size=LONGEST_TEXT)
labels = st.none() | texts
plain = st.sampled_from([one for one in Action if one not in (Action.RENAME, Action.DATUM)])
renames = st.builds(Command, st.just(Action.RENAME), labels, texts)
lengths = st.floats(0.0, LONGEST_GAUGE_MM)
datums = st.builds(Command, st.just(Action.DATUM), height_mm=lengths)


@given(st.builds(Command, plain, labels) | renames | datums)
@settings(max_examples=50)
def test_a_command_comes_back_whole_through_json(command):
    assert Command.from_document(json.loads(json.dumps(command.to_document()))) == command


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    max_leaves=5,
)
nearly = st.dictionaries(
    st.sampled_from(["action", "label", "new_label", "height_mm", "x"]), anything
)


@given(anything | nearly)
@settings(max_examples=200)
def test_anything_else_is_a_command_or_refused(document):
    try:
        command = Command.from_document(document)
    except CoilbenchError:
        return
    assert command.action in list(Action)


@pytest.mark.parametrize(
    "document",
    [
        {"action": "rename"},
        {"action": "skip", "new_label": "x"},
        {"action": "fly"},
        {"action": "datum"},
        {"action": "skip", "height_mm": 30.0},
        {"action": "datum", "height_mm": -0.1},
        {"action": "datum", "height_mm": LONGEST_GAUGE_MM + 0.1},
        {"action": "datum", "height_mm": "30"},
        {"action": "skip", "label": "x" * (LONGEST_TEXT + 1)},
        {"action": "skip", "at": 1},
        [],
    ],
)
def test_what_is_no_command_is_refused(document):
    with pytest.raises(CoilbenchError):
        Command.from_document(document)
