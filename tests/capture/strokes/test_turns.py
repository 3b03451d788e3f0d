"""Whose turn it is: a set pressed hands free, in order, each spring worked before it is read."""

from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.judging import Done, Purpose, Turn, TurnOrder

ORDER = TurnOrder(("a-01", "a-02", "a-03"), conditioning=2, measured=3, done={})


def pressed_through(order):
    turns = []
    while (turn := order.next_turn()) is not None:
        turns.append(turn)
        order = order.after(turn)
    return turns, order


def test_each_spring_is_worked_then_measured_in_the_order_of_the_labels():
    turns, order = pressed_through(ORDER)
    worked = [(Purpose.CONDITIONING, n, 2) for n in (1, 2)]
    read = [(Purpose.MEASURED, n, 3) for n in (1, 2, 3)]
    expected = [Turn(label, *rest) for label in ORDER.labels for rest in worked + read]
    assert turns == expected
    assert order.finished() == ["a-01", "a-02", "a-03"]


def test_words_say_what_to_press():
    first, second = ORDER.next_turn(), Turn("a-02", Purpose.MEASURED, 2, 3)
    assert describe(first, Units()) == "a-01, conditioning press 1 of 2"
    assert describe(second, Units()) == "a-02, stroke 2 of 3"


def test_a_redone_spring_comes_before_the_ones_after_it_and_is_not_worked_again():
    _, order = pressed_through(ORDER)
    again = order.again("a-02", 2)
    assert again.next_turn() == Turn("a-02", Purpose.MEASURED, 3, 3)
    assert again.finished() == ["a-01", "a-03"]
    assert again.after(again.next_turn()).next_turn() is None


def test_a_spring_put_off_comes_after_all_others_and_keeps_what_it_has():
    order = ORDER.after(ORDER.next_turn()).later("a-01")
    turns, done = pressed_through(order)
    assert [turn.label for turn in turns[::5]][:2] == ["a-02", "a-03"]
    assert turns[-4:][0] == Turn("a-01", Purpose.CONDITIONING, 2, 2)
    assert sorted(done.finished()) == ["a-01", "a-02", "a-03"]


def test_a_new_label_takes_the_place_of_the_old_one():
    order = ORDER.after(ORDER.next_turn()).renamed("a-01", "odd one")
    assert order.labels == ("odd one", "a-02", "a-03")
    assert order.next_turn() == Turn("odd one", Purpose.CONDITIONING, 2, 2)


def test_no_conditioning_and_springs_that_have_more_than_enough():
    order = TurnOrder(("b", "c"), conditioning=0, measured=1, done={"b": Done(0, 5)})
    assert order.next_turn() == Turn("c", Purpose.MEASURED, 1, 1)


def test_a_measured_spring_is_not_worked_again_though_it_had_no_conditioning():
    order = TurnOrder(("b",), conditioning=2, measured=1, done={"b": Done(0, 1)})
    assert order.next_turn() is None


@given(
    springs=st.integers(1, 6),
    conditioning=st.integers(0, 3),
    measured=st.integers(1, 4),
    redone=st.lists(st.integers(0, 5), max_size=5),
)
@settings(max_examples=40)
def test_a_set_takes_exactly_as_many_strokes_as_it_wants(springs, conditioning, measured, redone):
    labels = tuple(f"s-{n}" for n in range(springs))
    turns, order = pressed_through(TurnOrder(labels, conditioning, measured, {}))
    assert len(turns) == springs * (conditioning + measured)
    back = [labels[n % springs] for n in redone]
    for label in back:
        order = order.again(label, max(0, order.measured_of(label) - 1))
    more, _ = pressed_through(order)
    assert len(more) == sum(min(back.count(label), measured) for label in labels)
    assert all(turn.purpose is Purpose.MEASURED for turn in more)
