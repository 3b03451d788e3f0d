"""What goes through the control channel: whatever comes, an answer; nothing done by half."""

import json
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import LONGEST_TEXT, Action, Command, Snapshot
from coilbench.capture.running.control import LONGEST_REQUEST, answer, read_done, read_snapshot


def command_request(command):
    return json.dumps({"command": command.to_document()}).encode() + b"\n"


SNAPSHOT = Snapshot("larch", "usb:", link="up", load_n=12.5, curve=((40.0, 1.0), (39.5, 2.0)))


class Told:
    """A session that notes what it is told, or refuses it."""

    def __init__(self, refusal=None):
        self.snapshot = SNAPSHOT
        self.commands = []
        self._refusal = refusal

    def submit(self, command):
        if self._refusal is not None:
            raise self._refusal
        self.commands.append(command)


names = st.text(st.characters(exclude_categories=("C", "Z")), max_size=LONGEST_TEXT)
commands = st.one_of(
    st.builds(
        Command,
        st.sampled_from([a for a in Action if a not in (Action.RENAME, Action.DATUM)]),
        names,
    ),
    st.builds(Command, st.just(Action.DATUM), names, height_mm=st.floats(0.0, 1000.0)),
    st.builds(Command, st.just(Action.RENAME), names, names),
)


@given(commands)
def test_a_command_comes_through_as_it_was_given(command):
    session = Told()
    line = command_request(command)
    assert len(line) <= LONGEST_REQUEST
    read_done(answer(line, session))
    assert session.commands == [command]


def test_a_snapshot_comes_through():
    assert read_snapshot(answer(b'{"ask": "snapshot"}\n', Told())) == SNAPSHOT


def test_a_refusal_comes_through_in_words():
    session = Told(CoilbenchError("too much is asked at once", hint="Wait a moment"))
    with pytest.raises(CoilbenchError, match="too much is asked at once") as refused:
        read_done(answer(command_request(Command(Action.REDO)), session))
    assert refused.value.hint == "Wait a moment"


junk = st.one_of(
    st.binary(max_size=300),
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
        lambda inner: (
            st.lists(inner, max_size=4)
            | st.dictionaries(
                st.sampled_from(["command", "ask", "action", "label", "new_label", "x"]), inner
            )
        ),
        max_leaves=8,
    ).map(lambda document: json.dumps(document).encode() + b"\n"),
)


@given(junk)
def test_whatever_comes_there_is_one_line_of_answer(line):
    """Obeyed where it is a whole command, else refused; always one line of JSON."""
    session = Told()
    reply = answer(line, session)
    assert reply.endswith(b"\n")
    assert reply.count(b"\n") == 1
    said = json.loads(reply)
    assert set(said) in ({"done"}, {"snapshot"}, {"refused", "hint"})
    assert ("done" in said) == (len(session.commands) == 1)
    for command in session.commands:
        assert json.loads(line)["command"] == command.to_document() | {
            key: None for key, text in json.loads(line)["command"].items() if text is None
        }


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b"\n",
        b"null\n",
        b"[" * 2000,
        b'{"command":' * 180,
        b'{"command": {"action": "redo"}} {"command": {"action": "redo"}}\n',
        b'{"command": {"action": "redo"}}\n{"command": {"action": "redo"}}\n',
        b'{"command": {"action": "redo"}, "ask": "snapshot"}\n',
        b'{"command": {"action": "redo", "run": "x"}}\n',
        b'{"command": {"action": "REDO"}}\n',
        b'{"command": "redo"}\n',
        b'{"command": {"action": "skip", "label": "\\ud800"}}\n',
        b'{"command": {"action": "skip", "label": "\\u001b[2J"}}\n',
        b'{"command": {"action": "rename", "label": "a"}}\n',
        b'{"command": {"action": "redo"}}' + b" " * LONGEST_REQUEST + b"\n",
        b'{"command": {"action": "redo", "label": "' + b"x" * LONGEST_REQUEST + b'"}}\n',
        '{"ask": "snapshot"}\n'.encode("utf-16"),
        b'{"ask": "' + b"9" * 1900 + b'"}\n',
        b'{"ask": ' + b"9" * 1900 + b"}\n",
        b"\x80\x04\x95\x1f\x00\x00\x00\x00\x00\x00\x00\x8c\x05posix\x94\x8c\x06system\x94\x93\x94.\n",
    ],
)
def test_what_is_no_request_is_refused_and_nothing_is_done(line):
    session = Told()
    said = json.loads(answer(line, session))
    assert set(said) == {"refused", "hint"}
    assert session.commands == []


@given(st.one_of(st.binary(max_size=200), junk))
def test_a_reply_that_makes_no_sense_is_a_refusal_too(line):
    """Or it is an answer; nothing else is ever raised."""
    for read in (read_done, read_snapshot):
        with suppress(CoilbenchError):
            read(line)


@pytest.mark.parametrize("line", [b"", b'{"snapshot": 3}\n', b'{"done": 1}\n', b"[]\n"])
def test_no_such_answer_is_taken_for_one(line):
    for read in (read_done, read_snapshot):
        with pytest.raises(CoilbenchError, match="cannot be understood"):
            read(line)
