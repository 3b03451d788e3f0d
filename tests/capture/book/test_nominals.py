"""What a maker prints, kept with a set: what can be one, and that it comes back."""

import pytest

from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.errors import CoilbenchError

HIGH, LOW = NominalLoad(38.5, 235.0), NominalLoad(27.6, 412.0)


def test_it_is_kept_with_the_highest_height_first_and_comes_back(db):
    nominal = SetNominal((LOW, HIGH), 16.0, 0.08)
    assert nominal.loads == (HIGH, LOW)
    made = new_set(db, SetPlan("larch", "outer", ("a", "b"), nominal=nominal))
    assert made.nominal == nominal
    assert find_set(db, "larch").nominal == nominal
    assert SetNominal.from_json(nominal.to_json()) == nominal


def test_another_takes_its_place_and_none_takes_it_away(db, larch):
    assert larch.nominal is None
    rate = SetNominal(rate_n_per_mm=16.0)
    assert larch.keep_nominal(db, SetNominal((HIGH,))).nominal == SetNominal((HIGH,))
    assert larch.keep_nominal(db, rate).nominal == rate
    assert larch.keep_nominal(db, None).nominal is None


def test_plain_sql_reads_it(db, larch):
    larch.keep_nominal(db, SetNominal((HIGH, LOW)))
    rows = db.execute(
        "SELECT one.value ->> 'height_mm', one.value ->> 'load_n'"
        " FROM sets, json_each(sets.nominal_json, '$.loads') AS one"
    ).fetchall()
    assert rows == [(38.5, 235.0), (27.6, 412.0)]


def test_it_is_found_at_its_height_however_that_was_typed():
    nominal = SetNominal((HIGH, LOW))
    assert nominal.load_at(38.5 + 1e-9) == HIGH
    assert nominal.load_at(38.6) is None


@pytest.mark.parametrize(
    ("loads", "rate", "tolerance", "words"),
    [
        ((), None, None, "needs a load or a rate"),
        ((), None, 0.1, "needs a load or a rate"),
        ((NominalLoad(38.5, 0.0),), None, None, "not above 0"),
        ((NominalLoad(-1.0, 20.0),), None, None, "not above 0"),
        ((NominalLoad(float("nan"), 20.0),), None, None, "not above 0"),
        ((), float("inf"), None, "not above 0"),
        ((HIGH,), None, 1.0, r"between.*\b0\b.*\b1\b"),
        ((HIGH, NominalLoad(38.501, 240.0)), None, None, "two loads"),
        ((HIGH, NominalLoad(40.0, 240.0)), None, None, "is not less than at"),
    ],
)
def test_what_can_be_none_is_refused(loads, rate, tolerance, words):
    with pytest.raises(CoilbenchError, match=words):
        SetNominal(loads, rate, tolerance)


def test_a_height_outside_the_spring_is_refused_and_nothing_changes(db, larch):
    with pytest.raises(CoilbenchError, match="free length"):
        larch.keep_nominal(db, SetNominal((NominalLoad(53.0, 1.0),)))
    assert find_set(db, "larch").nominal is None
    with pytest.raises(CoilbenchError, match="solid height"):
        SetPlan("yew", "outer", ("a",), solid_height_mm=28.0, nominal=SetNominal((LOW,)))


def test_a_book_of_before_has_none(db, larch):
    assert db.execute("SELECT nominal_json FROM sets").fetchone() == (None,)
    assert find_set(db, "larch").nominal is None
