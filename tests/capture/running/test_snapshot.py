"""A snapshot as a document: what is written is what is read, over versions too."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.running.snapshot import EVENTS_KEPT, Snapshot

numbers = st.floats(-1e6, 1e6)


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
        turn=st.none() | st.text(),
        label=st.none() | st.text(),
        ends_in_s=st.none() | numbers,
        events=st.lists(st.tuples(st.integers(1), st.text(), st.text()), max_size=3).map(tuple),
        curve=st.lists(st.tuples(numbers, numbers), max_size=4).map(tuple),
    )
)
@settings(max_examples=50, deadline=None)
def test_it_comes_back_whole_through_json(snapshot):
    text = json.dumps(snapshot.to_document(), allow_nan=False)
    assert Snapshot.from_document(json.loads(text)) == snapshot


def test_keys_of_a_newer_program_are_left_out_and_missing_ones_have_their_default():
    snapshot = Snapshot.from_document({"set_name": "larch", "source": "x", "colour": "red"})
    assert snapshot == Snapshot(set_name="larch", source="x")


def test_events_are_numbered_and_only_the_last_are_kept():
    snapshot = Snapshot("larch", "x")
    assert snapshot.event == ""
    for number in range(1, EVENTS_KEPT + 3):
        snapshot = snapshot.after("kept", f"stroke {number}")
    assert len(snapshot.events) == EVENTS_KEPT
    assert snapshot.events[-1] == (EVENTS_KEPT + 2, "kept", snapshot.event)
    assert [n for n, _, _ in snapshot.events] == list(range(3, EVENTS_KEPT + 3))
