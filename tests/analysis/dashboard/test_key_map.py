"""Keys into commands: one key each, and nothing by accident."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.analysis.dashboard.keys import HELP, LEAVE, KeyMap, answer_help
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Action, Command, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

DONE = Snapshot("larch", "x", springs=12)
AT_02, AT_03 = (
    replace(DONE, turn=Turn(label, Purpose.MEASURED, 1, 3)) for label in ("larch-02", "larch-03")
)


@pytest.mark.parametrize(
    ("key", "asked"),
    [
        ("r", Command(Action.REDO)),
        ("R", Command(Action.REDO)),
        ("s", Command(Action.SKIP, "larch-02")),
        ("b", Command(Action.BACK, "larch-02")),
        ("f", Command(Action.FINISH)),
        ("q", LEAVE),
    ],
)
def test_one_key_each(key: str, asked: Command | str) -> None:
    assert KeyMap().press(key, AT_02) == [asked]
    assert f"{key.lower()} " in HELP


@pytest.mark.parametrize(
    "text", ["\x1b[A", "\x1b[B", "\x1bOR", "\x1b[15~", "\x1b[1;5F", "\x1b", " ", "\r", "x1", "\x00"]
)
def test_cursor_and_other_keys_are_no_commands(text: str) -> None:
    assert KeyMap().press(text, AT_02) == []


def test_a_new_label_is_typed_for_the_spring_that_was_shown() -> None:
    keys = KeyMap()
    assert keys.press("n", AT_02) == []
    assert keys.press("Rq s\x7f\x7f", AT_02) == []
    prompt = keys.prompt()
    assert prompt is not None
    assert re.search("label.*larch-02", prompt)
    # the turn moves on while it is typed
    assert keys.press(" x\r", AT_03) == [Command(Action.RENAME, "larch-02", "Rq x")]
    assert keys.prompt() is None
    assert keys.press("r", AT_03) == [Command(Action.REDO)]


@pytest.mark.parametrize("end", ["\x1b", "\r", "   \n"])
def test_typing_is_left_without_a_rename(end: str) -> None:
    keys = KeyMap()
    keys.press("n", AT_02)
    assert keys.press(end, AT_02) == []
    assert keys.prompt() is None


def test_there_is_nothing_to_rename_once_the_set_is_done() -> None:
    keys = KeyMap()
    assert keys.press("n", DONE) == []
    assert keys.prompt() is None
    assert keys.press("r", DONE) == [Command(Action.REDO)]


@given(st.lists(st.text(max_size=8), max_size=8))
@settings(max_examples=80, deadline=None)
def test_any_text_is_taken(pieces: list[str]) -> None:
    keys = KeyMap()
    for piece in pieces:
        for asked in keys.press(piece, AT_02):
            assert asked == LEAVE or isinstance(asked, Command)


@pytest.mark.parametrize(
    "kind", ["another_spring", "same_again", "finish_unfinished", "one of a later version"]
)
def test_two_keys_answer_a_question_and_do_nothing_without_one(kind: str) -> None:
    asked = replace(AT_02, question=Finding.of(kind))
    yes, no = Command(Action.ACCEPT, question=kind), Command(Action.TAKE_OUT, question=kind)
    assert KeyMap().press("yx", asked) == [yes, no]
    assert KeyMap().press("yx", AT_02) == []
    told = answer_help(asked.question)
    assert told is not None
    assert re.match("y .*  x ", told)
    assert answer_help(None) is None


@pytest.mark.parametrize(
    ("typed", "unit", "height_mm"),
    [("30", "mm", 30.0), ("30mm", "mm", 30.0), ("1.5", "in", 38.1), ("30 mm", "in", 30.0),
     ("0", "mm", 0.0), ("30,5", "mm", 30.5)],
)  # fmt: skip
def test_a_datum_is_typed_as_a_length_in_the_users_unit(
    typed: str, unit: str, height_mm: float
) -> None:
    comes, asked = KeyMap(unit).press(f"d{typed}\r", replace(AT_02, turn=None))
    assert comes == Command(Action.GAUGE)  # before the quill comes down on it
    assert isinstance(asked, Command)
    assert asked.action is Action.DATUM
    assert asked.height_mm == pytest.approx(height_mm)


def test_a_length_that_cannot_be_read_is_said_and_can_be_typed_again() -> None:
    keys = KeyMap()
    assert keys.press("dthirty\r", AT_02) == [Command(Action.GAUGE)]
    assert "thirty" in (keys.prompt() or "")
    assert keys.press("30\r", AT_02) == [Command(Action.DATUM, height_mm=30.0)]
    assert keys.press("d-5\r", AT_02) == [Command(Action.GAUGE)]  # no gauge is shorter than nothing
    assert keys.prompt() is not None
    assert keys.press("\x1b", AT_02) == [Command(Action.NO_GAUGE)]
    assert keys.prompt() is None


def test_a_length_that_was_refused_is_typed_again_while_its_gauge_is_awaited() -> None:
    keys, awaited = KeyMap(), replace(AT_02, gauge_awaited=True)
    again = [Command(Action.DATUM, height_mm=30.0)]
    assert keys.press("d30\r", AT_02) == [Command(Action.GAUGE), *again]
    assert keys.press("30\r", awaited) == again  # no new word that it comes: it was seen down
    assert keys.press("30\r", AT_02) == []
    asked = replace(awaited, question=Finding("datum_differs"))
    assert keys.press("30\r", asked) == []
    assert keys.prompt() is None
