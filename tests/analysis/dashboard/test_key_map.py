"""Keys into commands: one key each, and nothing by accident."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.dashboard.keys import HELP, LEAVE, KeyMap
from coilbench.capture.running.commands import Action, Command


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
    assert KeyMap().press(key, "larch-02") == [asked]
    assert f"{key.lower()} " in HELP


@pytest.mark.parametrize(
    "text", ["\x1b[A", "\x1b[B", "\x1bOR", "\x1b[15~", "\x1b[1;5F", "\x1b", " ", "\r", "x1", "\x00"]
)
def test_cursor_and_other_keys_are_no_commands(text: str) -> None:
    assert KeyMap().press(text, "larch-02") == []


def test_a_new_label_is_typed_for_the_spring_that_was_shown() -> None:
    keys = KeyMap()
    assert keys.press("n", "larch-02") == []
    assert keys.press("Rq s\x7f\x7f", "larch-02") == []
    prompt = keys.prompt()
    assert prompt is not None
    assert re.search("label.*larch-02", prompt)
    # the turn moves on while it is typed
    assert keys.press(" x\r", "larch-03") == [Command(Action.RENAME, "larch-02", "Rq x")]
    assert keys.prompt() is None
    assert keys.press("r", "larch-03") == [Command(Action.REDO)]


@pytest.mark.parametrize("end", ["\x1b", "\r", "   \n"])
def test_typing_is_left_without_a_rename(end: str) -> None:
    keys = KeyMap()
    keys.press("n", "larch-02")
    assert keys.press(end, "larch-02") == []
    assert keys.prompt() is None


def test_there_is_nothing_to_rename_once_the_set_is_done() -> None:
    keys = KeyMap()
    assert keys.press("n", None) == []
    assert keys.prompt() is None
    assert keys.press("r", None) == [Command(Action.REDO)]


@given(st.lists(st.text(max_size=8), max_size=8))
@settings(max_examples=80, deadline=None)
def test_any_text_is_taken(pieces: list[str]) -> None:
    keys = KeyMap()
    for piece in pieces:
        for asked in keys.press(piece, "larch-02"):
            assert asked == LEAVE or isinstance(asked, Command)
