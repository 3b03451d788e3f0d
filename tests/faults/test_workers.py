"""A worker thread that dies: the daemon notices, says so, keeps what it has and ends non-zero."""

import socket
from pathlib import Path

import pytest

from coilbench.analysis.cli import daemon as daemon_module
from coilbench.analysis.cli import run
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import control as control_module
from support import stage as scene


class OutOfStep:
    """In place of the event by which a scripted rig keeps step: it waits no more."""

    def clear(self):
        pass

    def set(self):
        pass

    def wait(self, _seconds):
        pass


def daemon(book, capsys):
    status = run(["--book", str(book), "daemon", "--port", "fake:", "--set", "larch"])
    return status, capsys.readouterr().err


def test_a_reader_that_dies_ends_the_daemon_with_one_line(make_book, monkeypatch, capsys):
    book = make_book(scene.RIG)
    clock = scene.Clock()
    source = scene.FakeSource(clock, scene.HALF, ZeroDivisionError("a defect"))
    monkeypatch.setattr(daemon_module, "open_source", lambda _url: source)
    status, err = daemon(book, capsys)
    assert status == 3  # not 2, which tells a service manager not to try again
    assert "reading failed (ZeroDivisionError: a defect)" in err
    assert err.count("\n") == 1
    assert [row["status"] for row in scene.sweeps(book)] == ["interrupted"]


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="no channel is opened here")
def test_a_control_channel_that_dies_ends_the_session_with_the_stroke_kept(make_book, monkeypatch):
    book = make_book(scene.RIG)
    clock = scene.Clock()
    clock.in_step(monkeypatch)

    def ask():
        control_module.ask_snapshot(book)
        stage.session._control._thread.join(10.0)
        clock.looks = OutOfStep()
        return scene.QUIET

    def end_if_nobody_noticed():
        stage.session._reader._finishing.wait(10.0)
        return scene.ENDED

    def defect(*_):
        raise ZeroDivisionError("a defect")

    source = scene.FakeSource(clock, scene.HALF, ask, end_if_nobody_noticed)
    stage = scene.Stage(book, source, clock=clock)
    monkeypatch.setattr(control_module, "answer", defect)
    with pytest.raises(CoilbenchError, match=r"control channel failed \(ZeroDivisionError: a def"):
        stage.run()
    assert [row["status"] for row in scene.sweeps(book)] == ["interrupted"]


def test_a_channel_that_cannot_be_opened_is_said_and_the_capture_goes_on(make_book, monkeypatch):
    def refuse(*_):
        raise control_module.ControlClosed("folder_shared", Path("its"))

    monkeypatch.setattr("coilbench.capture.running.session.ControlServer", refuse)
    clock = scene.Clock()
    stage = scene.Stage(
        make_book(scene.RIG), scene.FakeSource(clock, scene.PRESS, scene.ENDED), clock=clock
    )
    stage.run()
    closed = Finding.of("control_closed", cause="folder_shared", path="its")
    assert stage.events[0].what == closed
    assert "the folder its is not this user's alone" in describe(closed, Units())
    assert len(scene.sweeps(stage.book)) == 1


def test_too_many_open_files_do_not_end_the_channel(make_book, monkeypatch):
    """A client that cannot be taken on just now is asked to wait, and is heard afterwards."""
    if not hasattr(socket, "AF_UNIX"):
        pytest.skip("no channel is opened here")
    book = make_book(scene.RIG)
    clock = scene.Clock()
    stage = scene.Stage(book, scene.FakeSource(clock, scene.ENDED), clock=clock)
    refusals = iter([OSError(24, "Too many open files")] * 2)

    with control_module.ControlServer(book, stage.session) as server:
        listener = server._listener

        class Full:
            def accept(self):
                error = next(refusals, None)
                if error is not None:
                    raise error
                return listener.accept()

            def fileno(self):
                return listener.fileno()

            def close(self):
                listener.close()

        server._listener = Full()
        assert control_module.ask_snapshot(book) is not None
        assert next(refusals, None) is None
        assert server.error is None
