"""Redo, skip, back and rename: what the order is after them, and what the book has."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, labels_for, new_set, set_names
from coilbench.capture.book.sweeps import NewSweep, store_sweep, turn_order
from coilbench.capture.running.commands import Action, Command
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.virtual.instrument import RigModel


class Table:
    """Turns on a book of three springs that want one conditioning press and two strokes."""

    def __init__(self, db, name="larch"):
        self.db = db
        self.name = name
        self.said = []
        self.turns = TurnTaking(db, find_set(db, name), self.said.append)

    def press(self, times=1, *, counted=True):
        for _ in range(times):
            turn = self.turns.turn
            with self.db.atomic():
                if counted:
                    self.turns.make_room(turn)
                sweep = NewSweep(
                    self.turns.spring_id(turn.label),
                    Origin.POINTS_FILE,
                    [CurveRow("loading", 0, 38.0, 200.0)],
                    load_u_n=1.0,
                    load_u_relative=0.0,
                    height_u_mm=0.1,
                    purpose=turn.purpose,
                    counted=counted,
                )
                store_sweep(self.db, sweep)
            self.turns.took(turn, counted=counted)

    def ask(self, action, label=None, new_label=None):
        self.turns.execute(Command(action, label, new_label))

    def refused(self, *asked, **what):
        with pytest.raises(NotPossible) as caught:
            self.ask(*asked, **what)
        return caught.value.finding

    @property
    def turn(self):
        turn = self.turns.turn
        return None if turn is None else (turn.label.removeprefix("larch-"), turn.number)

    def counted(self):
        """Count by spring, as the book has it."""
        record = find_set(self.db, self.name)
        order = turn_order(self.db, record)
        return [order.measured_of(label) for label in record.labels]

    def in_book(self):
        return len(list(self.db.query("SELECT 1 FROM sweeps WHERE purpose = 'measured'")))


@pytest.fixture
def table(make_book):
    with open_book(make_book(RigModel.draw(4), springs=3)) as db:
        current_calibration(db)
        yield Table(db)


def test_a_skipped_spring_comes_after_the_others_with_what_it_has(table):
    table.press(2)
    table.ask(Action.SKIP)
    assert table.turn == ("02", 1)
    table.press(6)
    assert table.turn == ("01", 2)
    assert table.refused(Action.SKIP) == Finding.of("only_spring_left", label="larch-01")
    table.press()
    assert table.turn is None
    assert table.counted() == [2, 2, 2]


def test_back_after_a_skip_turns_to_the_skipped_spring_and_takes_nothing(table):
    table.press(2)
    table.ask(Action.SKIP)
    table.ask(Action.BACK)
    assert table.turn == ("01", 2)
    assert table.counted() == [1, 0, 0]


def test_back_begins_this_spring_again_and_then_the_one_before(table):
    table.press(3)
    table.press(2)  # 02: worked, and one stroke
    table.ask(Action.BACK)
    assert table.turn == ("02", 1)
    assert table.counted() == [2, 1, 0]  # a slip of the finger costs nothing
    table.ask(Action.BACK)
    assert table.turn == ("01", 1)
    assert table.counted() == [2, 1, 0]
    table.press()
    assert table.counted() == [1, 1, 0]  # now the old ones went, in the same transaction
    table.press()
    assert table.turn == ("02", 2)
    assert table.counted() == [2, 1, 0]
    assert table.in_book() == 5  # nothing is ever deleted


def test_skip_leaves_a_spring_begun_again_as_it_was(table):
    table.press(3)
    table.ask(Action.BACK)
    assert table.turn == ("01", 1)
    table.ask(Action.SKIP)
    assert table.turn == ("02", 1)
    table.press(6)
    assert table.turn is None
    assert table.counted() == [2, 2, 2]


def test_a_refused_press_does_not_take_the_old_strokes_away(table):
    table.press(3)
    table.ask(Action.BACK)
    table.press(counted=False)
    assert table.counted() == [2, 0, 0]
    assert table.turn == ("01", 1)


def test_back_from_a_set_that_is_done(table):
    table.press(9)
    assert table.turn is None
    table.ask(Action.BACK)
    assert table.turn == ("03", 1)


def test_back_in_a_capture_that_begins_in_the_middle_of_a_set(table):
    table.press(3)
    later = Table(table.db)
    later.ask(Action.BACK)
    assert later.turn == ("01", 1)
    first = Table(table.db)
    first.press(6)
    first.ask(Action.BACK)
    first.ask(Action.BACK)
    first.ask(Action.BACK)
    assert first.refused(Action.BACK) == Finding("first_spring")


def test_redo_of_the_sets_very_last_stroke(table):
    table.press(9)
    assert table.turns.redo()
    assert table.turn == ("03", 2)
    table.press()
    assert table.turn is None


def test_redo_comes_before_a_spring_begun_meanwhile(table):
    table.press(3)
    assert table.turns.redo()
    assert table.turn == ("01", 2)
    assert not table.turns.redo()
    assert table.said[-1].what.kind == "nothing_to_redo"


def test_rename_keeps_the_springs_strokes_and_turn(table):
    table.press(2)
    table.ask(Action.RENAME, new_label="marked red")
    assert table.turns.turn == Turn("marked red", Purpose.MEASURED, 2, 2)
    assert find_set(table.db, "larch").labels[0] == "marked red"
    table.press()
    assert table.counted() == [2, 0, 0]
    table.ask(Action.RENAME, "marked red", "first")
    table.ask(Action.BACK)
    assert table.turns.turn.label == "first"


@pytest.mark.parametrize("new_label", ["larch-02", "", "a,b", " x", "-x", "y" * 200])
def test_a_label_that_cannot_be_is_refused_and_changes_nothing(table, new_label):
    assert table.refused(Action.RENAME, new_label=new_label).kind == "rename_refused"
    assert table.turn == ("01", 1)
    assert find_set(table.db, "larch").labels[0] == "larch-01"


def test_a_command_for_a_spring_whose_turn_has_passed_is_refused(table):
    table.press(3)
    assert table.refused(Action.SKIP, "larch-01") == Finding.of(
        "turn_has_passed", action="skip", meant="larch-01", now="larch-02"
    )
    assert table.refused(Action.RENAME, "birch", "larch-09").kind == "no_such_spring"
    assert table.turn == ("02", 1)


acts = st.sampled_from(["press", "bad press", "redo", *(a for a in Action if a != "finish")])


@given(acts=st.lists(acts, max_size=25))
@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_is_asked_the_set_can_be_finished_with_every_spring_measured(table, acts):
    """And nothing is ever deleted, no spring is lost, and none counts more than is wanted."""
    name = f"set {len(set_names(table.db))}"
    new_set(
        table.db,
        SetPlan(name, "outer", labels_for(name, 3), conditioning_strokes=1, measured_strokes=2),
    )
    one = Table(table.db, name)
    presses = 0
    for number, act in enumerate(acts):
        try:
            if act == "redo":
                one.turns.redo()
            elif act == "rename":
                one.ask(Action.RENAME, new_label=f"{name} {number}")
            elif act in ("skip", "back"):
                one.ask(Action(act))
            elif one.turns.turn is not None:
                one.press(counted=act == "press")
                presses += 1
        except NotPossible:
            continue
        assert sorted(one.turns.order.labels) == sorted(find_set(table.db, name).labels)
    for _ in range(30):
        if one.turns.turn is None:
            break
        one.press()
        presses += 1
    assert one.turns.turn is None
    assert one.counted() == [2, 2, 2]
    stored = table.db.execute(
        "SELECT count(*) FROM sweeps JOIN springs ON springs.id = spring_id"
        " JOIN sets ON sets.id = set_id WHERE sets.name = ?",
        [name],
    ).fetchone()
    assert stored == (presses,)
    assert Table(table.db, name).turns.turn is None  # a later capture sees the same
