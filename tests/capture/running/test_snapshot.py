"""A snapshot as a document: what is written is what is read, over versions too."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import EVENTS_KEPT, Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

numbers = st.floats(-1e6, 1e6)
facts = st.dictionaries(
    st.sampled_from(["load_n", "label", "findings"]), numbers | st.text() | st.none(), max_size=3
)
findings = st.builds(Finding, st.text(), facts)


@given(
    st.builds(
        Snapshot,
        set_name=st.text(),
        source=st.text(),
        link=st.sampled_from(("waiting", "up", "lost")),
        rate_hz=numbers,
        samples=st.integers(0),
        sample_age_s=st.none() | numbers,
        load_n=st.none() | numbers,
        height_mm=st.none() | numbers,
        link_what=st.none() | findings,
        turn=st.none()
        | st.builds(Turn, st.text(), st.sampled_from(Purpose), st.integers(1), st.integers(1)),
        closed=st.none() | findings,
        strokes=st.integers(0),
        ends_in_s=st.none() | numbers,
        events=st.lists(
            st.tuples(st.integers(1), st.builds(Event, st.sampled_from(EventKind), findings)),
            max_size=3,
        ).map(tuple),
        curve=st.lists(st.tuples(numbers, numbers), max_size=4).map(tuple),
    )
)
@settings(max_examples=50)
def test_it_comes_back_whole_through_json(snapshot):
    text = json.dumps(snapshot.to_document(), allow_nan=False)
    assert Snapshot.from_document(json.loads(text)) == snapshot


def test_keys_of_a_newer_program_are_left_out_and_missing_ones_have_their_default():
    snapshot = Snapshot.from_document({"set_name": "larch", "source": "x", "colour": "red"})
    assert snapshot == Snapshot(set_name="larch", source="x")


def test_events_are_numbered_and_only_the_last_are_kept():
    snapshot = Snapshot("larch", "x")
    assert snapshot.newest_event == 0
    for number in range(1, EVENTS_KEPT + 3):
        snapshot = snapshot.after(Event.of(EventKind.KEPT, "stroke_kept", stroke=number))
    assert len(snapshot.events) == EVENTS_KEPT
    assert snapshot.newest_event == EVENTS_KEPT + 2
    assert snapshot.events[-1][1].what["stroke"] == EVENTS_KEPT + 2
    assert [n for n, _ in snapshot.events] == list(range(3, EVENTS_KEPT + 3))


def test_the_snapshot_of_an_older_program_is_read_without_what_it_said_in_words():
    old = {"set_name": "larch", "source": "x", "turn": "larch-01, stroke 1 of 3", "samples": 7}
    old |= {"events": [[1, "kept", "a stroke"]], "link_words": "connected"}
    assert Snapshot.from_document(old) == Snapshot("larch", "x", samples=7)
