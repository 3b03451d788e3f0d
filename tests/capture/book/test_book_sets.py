"""Sets: plans refused before a book is touched, turns kept, names as people write them."""

import math
import re
import string
import uuid
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import asdict
from sqlite_utils import Database

from coilbench.capture.book.schema import bring_to
from coilbench.capture.book.sets import (
    SetPlan,
    find_set,
    labels_for,
    new_set,
    rename_set,
    set_names,
)
from coilbench.capture.book.sweeps import store_sweep, turn_order
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.judging import Purpose


def test_a_set_comes_back_as_it_was_planned(db):
    plan = SetPlan(
        "larch",
        "outer",
        labels_for("larch", 12),
        free_length_mm=53.0,
        solid_height_mm=24.5,
        wire_mm=4.2,
        coil_diameter_mm=28.0,
        active_coils=5.5,
        conditioning_strokes=0,
        measured_strokes=5,
    )
    made = new_set(db, plan)
    assert find_set(db, "larch") == made
    kept = {name: getattr(made, name) for name in asdict(plan)}
    assert kept == asdict(plan)
    assert [spring.turn for spring in made.springs] == list(range(1, 13))


def test_ids_are_uuids_and_never_the_same(db, larch):
    ids = [larch.set_id, *(spring.spring_id for spring in larch.springs)]
    assert len({uuid.UUID(text) for text in ids}) == 4


def test_labels_sort_as_text():
    assert labels_for("larch", 12)[::11] == ("larch-01", "larch-12")
    for count in (9, 10, 99, 100, 999):
        labels = labels_for("x", count)
        assert sorted(labels) == list(labels)


@pytest.mark.parametrize("count", [-1, 0, 1000])
def test_an_impossible_count_is_refused(count):
    with pytest.raises(CoilbenchError, match="a set cannot have"):
        labels_for("larch", count)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("", "cannot be a"),
        ("x" * 61, "cannot be a"),
        ("a,b", "no commas or semicolons"),
        ("a;b", "no commas or semicolons"),
        ("a\tb", "printable"),
        ("a\nb", "printable"),
        ("a\x00b", "printable"),
        ("a\u202eb", "printable"),  # turns what follows around on a screen
        ("a\udcffb", "printable"),  # a byte that is no text, as a shell hands it on
        (" larch", "begins or ends with a blank"),
        ("larch ", "begins or ends with a blank"),
        ("-x", "begins with a dash"),
        ("--set", "begins with a dash"),
    ],
)
def test_what_cannot_be_a_name_cannot_be_a_label(name, words):
    for plan in ({"name": name, "labels": ("a",)}, {"name": "larch", "labels": ("a", name)}):
        with pytest.raises(CoilbenchError) as caught:
            SetPlan(role="outer", **plan)
        assert words in str(caught.value)
        assert str(caught.value).isprintable()


@settings(max_examples=30)
@given(name=st.text(string.ascii_letters + string.digits + " ._/#'\"%-äßčΩ弹簧", min_size=1))
def test_any_other_text_is_a_name_that_is_found_again(name):
    if name != name.strip() or name.startswith("-") or len(name) > 60:
        with pytest.raises(CoilbenchError):
            SetPlan(name, "outer", ("a",))
        return
    with closing(Database(memory=True)) as db:
        bring_to(db)
        new_set(db, SetPlan(name, "outer", (name, "other than it")))
        assert set_names(db) == [name]
        assert find_set(db, name).spring(name).turn == 1


def test_a_label_that_stands_twice_is_refused():
    with pytest.raises(CoilbenchError, match="duplicate label 'b'"):
        SetPlan("larch", "outer", ("a", "b", "c", "b"))


def test_a_set_without_springs_is_refused():
    with pytest.raises(CoilbenchError, match="cannot have 0 springs"):
        SetPlan("larch", "outer", ())


@pytest.mark.parametrize(
    "what",
    ["free_length_mm", "solid_height_mm", "wire_mm", "coil_diameter_mm", "active_coils"],
)
@pytest.mark.parametrize("value", [0.0, -4.0, math.nan, math.inf, -math.inf])
def test_an_impossible_dimension_is_refused(what, value):
    with pytest.raises(CoilbenchError, match="is not above 0"):
        SetPlan("larch", "outer", ("a",), **{what: value})


def test_dimensions_that_contradict_each_other_are_refused():
    with pytest.raises(CoilbenchError, match=r"solid.*\b53 mm.*free"):
        SetPlan("larch", "outer", ("a",), free_length_mm=53.0, solid_height_mm=53.0)
    with pytest.raises(CoilbenchError, match=r"wire.*\b30 mm.*coil"):
        SetPlan("larch", "outer", ("a",), wire_mm=30.0, coil_diameter_mm=28.0)


@pytest.mark.parametrize(("conditioning", "measured"), [(-1, 3), (2, 0)])
def test_impossible_numbers_of_strokes_are_refused(conditioning, measured):
    with pytest.raises(CoilbenchError, match="are not possible"):
        SetPlan(
            "larch",
            "outer",
            ("a",),
            conditioning_strokes=conditioning,
            measured_strokes=measured,
        )


def test_a_name_that_is_taken_changes_nothing(db, larch, counts):
    before = counts()
    with pytest.raises(CoilbenchError, match="there is already a set 'larch'"):
        new_set(db, SetPlan("larch", "inner", ("x", "y")))
    assert counts() == before
    assert find_set(db, "larch") == larch


def test_an_unknown_set_names_the_known_ones(db, larch):
    with pytest.raises(CoilbenchError) as caught:
        find_set(db, "lorch")
    assert re.search(r"'lorch'.*larch\.", str(caught.value))


def test_an_unknown_set_of_an_empty_book_says_how_to_start_one(db):
    with pytest.raises(CoilbenchError, match="there is no set") as caught:
        find_set(db, "larch")
    assert "coilbench set new larch" in str(caught.value)


def test_an_unknown_label_names_some_of_the_springs(db):
    record = new_set(db, SetPlan("larch", "outer", labels_for("larch", 12)))
    with pytest.raises(CoilbenchError) as caught:
        record.spring("larch-13")
    assert "has no spring 'larch-13'" in str(caught.value)
    assert "larch-08 and 4 more" in str(caught.value)


def test_the_turn_order_counts_what_counts(db, larch, points_sweep):
    first, second, _ = (spring.spring_id for spring in larch.springs)
    for spring_id in (first, second):
        for _ in range(2):
            store_sweep(db, points_sweep(spring_id=spring_id, purpose=Purpose.CONDITIONING))
    for _ in range(3):
        store_sweep(db, points_sweep(spring_id=first))
    store_sweep(db, points_sweep(spring_id=second, counted=False))
    order = turn_order(db, larch)
    assert list(order.finished()) == ["larch-01"]
    turn = order.next_turn()
    assert (turn.label, turn.purpose, turn.number) == ("larch-02", Purpose.MEASURED, 1)


def test_nobody_calls_a_set_as_another_is_called_by_its_id(db):
    """Else larch~380d would not mean the same set at every bench."""
    record = new_set(db, SetPlan("larch", "outer", ("larch-01",)))
    for refused in (
        lambda: rename_set(db, record, "oak~380d"),
        lambda: new_set(db, SetPlan("oak~380d", "outer", ("oak-01",))),
    ):
        with pytest.raises(CoilbenchError, match="by the first characters of its id"):
            refused()
    assert rename_set(db, record, "oak~left").name == "oak~left"
