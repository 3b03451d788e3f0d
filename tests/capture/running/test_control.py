"""The control channel: this user's alone, no network, and never in the capture's way."""

import json
import os
import socket
import stat
import struct
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import control as module
from coilbench.capture.running.commands import Action, Command, Snapshot
from coilbench.capture.running.control import (
    ControlClosed,
    ControlServer,
    ask_snapshot,
    control_path,
    send_command,
)

pytestmark = pytest.mark.skipif(
    not hasattr(socket, "AF_UNIX"), reason="no Unix domain sockets here: no channel is opened"
)

REDO = Command(Action.REDO)
SNAPSHOT = Snapshot("larch", "usb:", springs=12)


class Told:
    """A session that notes what it is told."""

    def __init__(self):
        self.snapshot = SNAPSHOT
        self.commands = []

    def submit(self, command):
        self.commands.append(command)


@pytest.fixture(autouse=True)
def own_place(monkeypatch):
    """A folder of the test's own; pytest's may have too long a name for a socket."""
    with tempfile.TemporaryDirectory() as folder:
        monkeypatch.setattr(module.tempfile, "gettempdir", lambda: folder)
        yield


@pytest.fixture
def book(tmp_path):
    return tmp_path / "bench.db"


@pytest.fixture
def session():
    return Told()


@pytest.fixture
def server(book, session):
    with ControlServer(book, session) as opened:
        yield opened


@pytest.fixture
def client(book, server):
    with socket.socket(socket.AF_UNIX) as opened:
        opened.settimeout(5.0)
        opened.connect(str(control_path(book)))
        yield opened


def test_a_command_and_a_question(book, session, server):
    send_command(book, REDO)
    send_command(book, Command(Action.SKIP, "larch-02"))
    assert session.commands == [REDO, Command(Action.SKIP, "larch-02")]
    assert ask_snapshot(book) == SNAPSHOT


def test_any_name_of_the_book_leads_to_it(book, tmp_path, server):
    book.touch()
    (tmp_path / "other.db").symlink_to(book)
    assert ask_snapshot(tmp_path / "other.db") == SNAPSHOT


def test_it_is_this_users_alone(book, server):
    path = control_path(book)
    assert stat.S_ISSOCK(path.stat().st_mode)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert server._listener.family == socket.AF_UNIX  # no port, not even on the loopback


@pytest.mark.skipif(not hasattr(socket, "SO_PEERCRED"), reason="no peer's user known here")
def test_another_user_is_turned_away(book, session, monkeypatch, request):
    monkeypatch.setattr(module.struct, "unpack", lambda *_: (1, os.getuid() + 1, 1))
    client = request.getfixturevalue("client")
    with suppress(BrokenPipeError, ConnectionResetError):  # it may have hung up before
        client.sendall(b'{"command": {"action": "redo"}}\n')
    assert hung_up_on(client)
    assert session.commands == []


def hung_up_on(client):
    """Whether the server hung up without an answer."""
    try:
        return client.recv(100) == b""
    except ConnectionResetError:  # with what we sent unread
        return True


@pytest.mark.skipif(not hasattr(socket, "SO_PEERCRED"), reason="no peer's user known here")
def test_what_another_user_put_in_its_place_is_not_asked(book, server, monkeypatch):
    real = struct.unpack
    monkeypatch.setattr(
        module.struct,
        "unpack",
        lambda form, data: (
            (1, os.getuid() + 1, 1)
            if threading.current_thread() is threading.main_thread()
            else real(form, data)
        ),
    )
    with pytest.raises(CoilbenchError, match=r"capture.*running"):
        send_command(book, REDO)


def test_no_capture_no_answer(book):
    assert ask_snapshot(book) is None
    with pytest.raises(CoilbenchError, match=r"capture.*running"):
        send_command(book, REDO)


def test_closed_it_leaves_nothing_and_may_be_opened_again(book, session):
    for _ in range(2):
        server = ControlServer(book, session)
        server.close()
        server.close()
        assert not control_path(book).exists()


def test_what_a_killed_capture_left_is_no_hindrance(book, session):
    with ControlServer(book, session):
        pass
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(control_path(book)))
    left.close()
    assert ask_snapshot(book) is None  # nobody listens there
    with ControlServer(book, session):
        assert ask_snapshot(book) == SNAPSHOT


@pytest.mark.parametrize("mode", [0o750, 0o705, 0o777])
def test_a_folder_that_others_may_use_is_refused(book, session, mode):
    folder = control_path(book).parent
    folder.mkdir()
    folder.chmod(mode)
    with pytest.raises(ControlClosed, match="folder_shared"):
        ControlServer(book, session)


def test_a_folder_that_is_really_a_link_is_refused(book, session, tmp_path):
    control_path(book).parent.symlink_to(tmp_path, target_is_directory=True)
    with pytest.raises(ControlClosed, match="folder_no_folder"):
        ControlServer(book, session)


def test_a_file_in_the_folders_place_is_named_with_the_cure(book, session):
    folder = control_path(book).parent
    folder.touch(mode=0o600)
    with pytest.raises(ControlClosed) as caught:
        ControlServer(book, session)
    assert str(folder) in describe(caught.value.finding, Units())
    with pytest.raises(CoilbenchError, match="TMPDIR") as refused:
        send_command(book, REDO)
    assert refused.value.where == str(folder)


@pytest.fixture
def runtime(monkeypatch):
    with tempfile.TemporaryDirectory() as folder:  # made with mode 0700
        monkeypatch.setenv("XDG_RUNTIME_DIR", folder)
        yield Path(folder)


def test_the_users_runtime_folder_is_used_where_it_is_there(book, session, runtime, monkeypatch):
    with ControlServer(book, session):
        assert control_path(book).parent == runtime / "coilbench"
        assert stat.S_IMODE(control_path(book).parent.stat().st_mode) == 0o700
        assert ask_snapshot(book) == SNAPSHOT
    monkeypatch.delenv("XDG_RUNTIME_DIR")
    with ControlServer(book, session):  # a service that was not told of it
        monkeypatch.setenv("XDG_RUNTIME_DIR", str(runtime))
        assert ask_snapshot(book) == SNAPSHOT


@pytest.mark.parametrize("spoilt", ["shared", "gone", "relative", "another's"])
def test_a_runtime_folder_that_is_not_the_users_alone_is_left(book, runtime, spoilt, monkeypatch):
    if spoilt == "shared":
        runtime.chmod(0o755)
    elif spoilt == "another's":
        monkeypatch.setattr(module.os, "getuid", lambda: runtime.stat().st_uid + 1)
    else:
        monkeypatch.setenv("XDG_RUNTIME_DIR", "run" if spoilt == "relative" else f"{runtime}/gone")
    assert runtime not in control_path(book).parents


def test_a_folder_of_another_user_is_refused(book, session, monkeypatch):
    folder = control_path(book).parent
    folder.mkdir(mode=0o700)
    monkeypatch.setattr(module, "_folders", lambda: [folder])
    monkeypatch.setattr(module.os, "getuid", lambda: folder.stat().st_uid + 1)
    with pytest.raises(ControlClosed, match="folder_of_another"):
        ControlServer(book, session)


def test_a_place_with_too_long_a_name_is_said(book, session, tmp_path, monkeypatch):
    deep = tmp_path / ("d" * 100)
    deep.mkdir()
    monkeypatch.setattr(module.tempfile, "gettempdir", lambda: str(deep))
    with pytest.raises(ControlClosed, match="not_opened"):
        ControlServer(book, session)


def test_a_client_that_says_nothing_is_hung_up_on(client, monkeypatch):
    assert hung_up_on(client)  # after a quarter of a second


def test_a_client_that_hangs_up_in_mid_request_harms_itself_only(book, session, server):
    for said in (b"", b"{", b'{"command": {"action": "redo"}}'):
        with socket.socket(socket.AF_UNIX) as client:
            client.connect(str(control_path(book)))
            client.sendall(said)
    assert ask_snapshot(book) == SNAPSHOT
    assert session.commands == []
    assert server.error is None


def test_a_request_without_end_is_cut_off(book, client, server):
    """The server takes no more than a request can hold, then answers and hangs up."""
    try:
        for _ in range(100):
            client.sendall(b"x" * 65_536)
    except (BrokenPipeError, ConnectionResetError):
        pass
    else:
        pytest.fail("6.5 MB were taken")
    assert ask_snapshot(book) == SNAPSHOT


def test_no_more_is_waited_for_than_a_request_can_hold():
    here, there = socket.socketpair()
    with here, there:
        there.sendall(b"x" * 5000)
        assert module._receive(here, 100, 10.0) == b"x" * 5000


def test_many_clients_at_once(book, session, server):
    """Nine clients, one of them dawdling: everyone gets an answer."""
    with socket.socket(socket.AF_UNIX) as slow:
        slow.connect(str(control_path(book)))
        clients = [threading.Thread(target=send_command, args=(book, REDO)) for _ in range(8)]
        for client in clients:
            client.start()
        for client in clients:
            client.join()
    assert session.commands == [REDO] * 8


def test_a_capture_that_does_not_answer_is_said(book, monkeypatch, session):
    monkeypatch.setattr(module, "ASK_S", 0.05)
    monkeypatch.setattr(module, "TELL_S", 0.05)
    with ControlServer(book, session):
        pass
    with socket.socket(socket.AF_UNIX) as deaf:
        deaf.bind(str(control_path(book)))
        deaf.listen()
        assert ask_snapshot(book) is None
        with pytest.raises(CoilbenchError, match="the capture does not answer"):
            send_command(book, REDO)
    control_path(book).unlink()


def test_a_defect_in_its_thread_is_kept_for_the_session(book, session, server):
    def defect(_):
        raise ZeroDivisionError("a defect")

    session.submit = defect
    with pytest.raises(CoilbenchError):
        send_command(book, REDO)
    while server._thread.is_alive():
        time.sleep(0.001)
    assert isinstance(server.error, ZeroDivisionError)


def test_where_there_are_no_such_sockets_it_says_so(book, session, monkeypatch):
    monkeypatch.delattr(module.socket, "AF_UNIX")
    with pytest.raises(ControlClosed, match="no_sockets"):
        ControlServer(book, session)
    with pytest.raises(CoilbenchError, match="from another window"):
        send_command(book, REDO)
    assert ask_snapshot(book) is None


def test_random_bytes_over_the_socket_never_end_it(book, session, server):
    chance = np.random.default_rng(7)
    for _ in range(60):
        with socket.socket(socket.AF_UNIX) as client:
            client.settimeout(5.0)
            client.connect(str(control_path(book)))
            client.sendall(chance.bytes(int(chance.integers(1, 3000))) + b"\n")
            assert set(json.loads(client.recv(65_536))) == {"refused", "hint"}
    assert session.commands == []
    assert server.error is None


def test_a_capture_that_many_ask_at_once_is_not_called_absent(book, session, monkeypatch):
    monkeypatch.setattr(module, "ASK_S", 0.1)
    path = control_path(book)
    path.parent.mkdir(mode=0o700)
    with socket.socket(socket.AF_UNIX) as busy:  # it listens, and takes nobody
        busy.bind(str(path))
        busy.listen(0)
        waiting = [socket.socket(socket.AF_UNIX) for _ in range(3)]
        for one in waiting:
            one.setblocking(False)
            with suppress(BlockingIOError):
                one.connect(str(path))
        assert module._ask(book, b"{}\n", 0.1) is None
        for one in waiting:
            one.close()
