"""A build file changed key by key: what was meant is changed, every comment stays."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.inputs.build_draft import (
    SIDES,
    Path,
    Value,
    check_so_far,
    known,
    new_draft,
    with_shims,
    with_two_cards,
    with_value,
    without,
    without_line,
)
from coilbench.capture.errors import CoilbenchError

BY_HAND = """\
# my engine, third try
[cam]   # from the card
  valve_lift = "10 mm"   # measured twice
seat_load = "34 kg"
  # an odd comment
open_load = '72 kg' # ok

[head]
valves = 2
installed_height = "39 mm"  # by feel
[springs]
outer = [
  "larch", # good ones
  "rowan",
]
#? inner = ["heron"]  # perhaps
[[shims]]
thickness = "0.5 mm"  # micrometer
count = 12            # drawer two
"""


def comments(text: str) -> list[str]:
    """Every comment of a text without strings that hold a #, in order."""
    found = (re.search(r"#\??\s*(.*)", line) for line in text.splitlines())
    return [one[1] for one in found if one is not None]


def test_nothing_is_known_in_a_new_draft_and_the_reader_reads_it() -> None:
    assert tomllib.loads(new_draft()) == {"cam": {}, "head": {}, "springs": {}, "scale": {}}
    check_so_far(new_draft(), "new.toml")
    with pytest.raises(CoilbenchError, match="missing"):
        parse_build(new_draft(), "new.toml")


def test_the_examples_of_a_new_draft_are_a_build_file() -> None:
    """Every line that waits for an answer may be taken as it stands, one way to give the lift."""
    text = without_line(new_draft(), ("cam",), "lobe_lift", "rocker_ratio", "lash")
    build = parse_build(text.replace("#? ", ""), "all.toml")
    assert build.cam.valve_lift_mm == 10.2
    assert build.scale.name == "bathroom"
    assert build.scale.step_n == pytest.approx(0.980665)


KEYS: list[tuple[Path, Value]] = [
    (("cam", "seat_load"), "35 kg"),
    (("cam", "max_rpm"), 6200),
    (("cam", "name"), 'say "road" grind'),
    (("cam", "intake", "valve_lift"), "9 mm"),
    (("head", "inner_offset"), "2 mm"),
    (("head", "max_seat_cut"), "0 mm"),
    (("springs", "outer"), ["larch", "elm"]),
    (("springs", "inner"), ["heron", "plover"]),
    (("scale", "name"), "bathroom"),
]


@pytest.mark.parametrize(("path", "value"), KEYS)
@pytest.mark.parametrize("text", [BY_HAND, new_draft(), ""])
def test_a_key_is_set_and_nothing_else(text: str, path: Path, value: Value) -> None:
    changed = with_value(text, path, value)
    assert known(changed, *path) == value
    assert with_value(changed, path, value) == changed
    kept = [one for one in comments(changed) if one in comments(text)]
    gone = {one for one in comments(text) if one not in kept}
    assert all(one.startswith((f"{path[-1]} =", '"rowan"')) or "#" in one for one in gone)


@given(st.lists(st.sampled_from(KEYS), max_size=8), st.sampled_from([BY_HAND, new_draft()]))
@settings(max_examples=40, deadline=None)
def test_any_answers_in_any_order_give_what_was_said_last(
    answers: list[tuple[Path, Value]], text: str
) -> None:
    said: dict[Path, Any] = {}
    for path, value in answers:
        text = with_value(text, path, value)
        said[path] = value
    for path, value in said.items():
        assert known(text, *path) == value
    if "my engine" in text:
        for comment in ("third try", "measured twice", "an odd comment", "by feel", "drawer two"):
            assert comment in text


def test_a_list_changes_name_by_name() -> None:
    changed = with_value(BY_HAND, ("springs", "outer"), ["larch", "elm"])
    assert '"larch", # good ones' in changed


def test_a_forgotten_key_stays_behind_the_mark_with_its_comment() -> None:
    gone = without(BY_HAND, ("cam", "valve_lift"))
    assert known(gone, "cam", "valve_lift") is None
    assert '#? valve_lift = "10 mm"   # measured twice' in gone
    back = with_value(gone, ("cam", "valve_lift"), "11 mm")
    assert re.search(r'^valve_lift = "11 mm" +# measured twice$', back, re.MULTILINE)
    assert without(BY_HAND, ("cam", "max_rpm")) == BY_HAND
    assert known(without('cam = {seat_load = "3 kg"}\n', ("cam", "seat_load")), "cam") == {}


def test_valves_that_are_a_number_are_not_made_a_table_unasked() -> None:
    with pytest.raises(CoilbenchError, match="by hand"):
        with_value(BY_HAND, ("head", "valves", "1 in"), "39.1 mm")
    free = without(BY_HAND, ("head", "valves"))
    assert known(with_value(free, ("head", "valves", "1 in"), "39.1 mm"), "head", "valves") == {
        "1 in": "39.1 mm"
    }


def test_shims_of_a_thickness_change_their_count_and_others_are_added() -> None:
    more = with_shims(BY_HAND, "0.5 mm", 0, 20)
    assert "count = 20            # drawer two" in more
    assert "count" not in known(with_shims(BY_HAND, "0.5 mm", 0, None), "shims")[0]
    two = with_shims(more, "1 mm", None, 4)
    assert known(two, "shims") == [
        {"thickness": "0.5 mm", "count": 20},
        {"thickness": "1 mm", "count": 4},
    ]
    listed = with_shims('shims = [{thickness = "1 mm"}] # few\n', "2 mm", None, 3)
    assert known(listed, "shims")[1] == {"thickness": "2 mm", "count": 3}
    assert "# few" in listed


def test_two_cards_take_over_what_the_common_one_leaves_open() -> None:
    text = with_two_cards(new_draft())
    assert text.count("#? seat_load") == len(SIDES)
    check_so_far(with_value(text, ("cam", "intake", "seat_load"), "34 kg"), "two.toml")


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ({("cam", "seat_load"): "34 kg", ("cam", "open_load"): "30 kg"}, "above the seat load"),
        ({("cam", "seat_load"): "34"}, "no unit"),
        ({("cam", "valve_lift"): "12 mm", ("head", "installed_height"): "11 mm"}, "above the lift"),
        ({("cam", "valve_lift"): "12 mm", ("cam", "lobe_lift"): "8 mm"}, "besides valve_lift"),
        ({("cam", "lobe_lift"): "8 mm", ("cam", "lash"): "9 mm"}, "above 0"),
        ({("springs", "outer"): ["larch"], ("springs", "inner"): ["larch"]}, "named twice"),
        ({("cam", "max_rpm"): "fast"}, "not a number"),
        ({("cam", "lift"): "10 mm"}, "unknown key"),
    ],
)
def test_what_can_not_be_is_refused_before_all_is_known(
    answers: dict[Path, Value], said: str
) -> None:
    text = new_draft()
    for path, value in answers.items():
        check_so_far(text, "draft.toml")
        text = with_value(text, path, value)
    with pytest.raises(CoilbenchError, match=said):
        check_so_far(text, "draft.toml")


@pytest.mark.parametrize("value", ["3", '"x"', "[1]", "[[1]]", "{a = 1}", "true", "1979-05-27"])
@pytest.mark.parametrize(
    "key", ["cam", "cam.intake", "cam.seat_load", "head", "head.valves", "springs", "springs.outer",
            "shims", "scale", "scale.step", "limits"],
)  # fmt: skip
def test_what_is_of_another_kind_is_refused_in_words(key: str, value: str) -> None:
    if (key, value) == ("head.valves", "3"):
        return  # this may be
    with pytest.raises(CoilbenchError) as refused:
        check_so_far(f"{key} = {value}\n", "odd.toml")
    assert refused.value.hint


def test_every_part_of_a_whole_file_may_be_missing() -> None:
    """What is not known contradicts nothing."""
    whole = BY_HAND.replace("#? ", "")
    parse_build(whole, "whole.toml")
    for path in (("cam", "seat_load"), ("cam", "open_load"), ("cam", "valve_lift"),
                 ("head", "installed_height"), ("head", "valves")):  # fmt: skip
        check_so_far(without(whole, path), "part.toml")
