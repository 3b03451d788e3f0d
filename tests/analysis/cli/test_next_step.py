"""The one next command, state by state, as the job goes."""

from __future__ import annotations

import shlex

import pytest

from coilbench.analysis.cli.status import build_files, next_step
from coilbench.capture.book.state import BookState, CaptureState, CheckState, SetState

NOW = "2026-11-25T12:00:00.000+00:00"
LATELY = "2026-11-24T12:00:00.000+00:00"
LARCH = SetState("larch", "outer", 12, 0, 0, False, "")
EMPTY = BookState(False, False, {}, None, 90.0, (), None)
READY = EMPTY._replace(sets=(LARCH,), parts_utc={"load": LATELY, "travel": LATELY, "flex": LATELY})
PORT = CaptureState("/dev/ttyUSB0", "larch", NOW, running=False)
HALF = LARCH._replace(measured=5, begun=6, last_utc=LATELY)
DONE = LARCH._replace(measured=12, begun=12, last_utc=LATELY)
BY_HAND = HALF._replace(by_hand=True)


@pytest.mark.parametrize(
    ("state", "command"),
    [
        (None, "begin"),
        (EMPTY, "begin"),
        (EMPTY._replace(sets=(LARCH,)), "rig weigh --port PORT"),
        (
            EMPTY._replace(sets=(LARCH,), parts_utc={"load": LATELY}),
            "rig gauge --port PORT --lengths LENGTHS",
        ),
        (
            READY._replace(parts_utc={"load": LATELY, "travel": LATELY}),
            "rig flex --port PORT",
        ),
        (READY, "live --port PORT --set larch"),
        (READY._replace(capture=PORT), "live --port /dev/ttyUSB0 --set larch"),
        (READY._replace(sets=(HALF,)), "live --port PORT --set larch"),
        (
            READY._replace(sets=(HALF,), parts_utc={"load": LATELY, "travel": LATELY}),
            "live --port PORT --set larch",
        ),
        (READY._replace(capture=PORT._replace(running=True)), "live"),
        (
            READY._replace(capture=PORT._replace(running=True, seen_utc=LATELY)),
            "live --port /dev/ttyUSB0 --set larch",
        ),
        (READY._replace(check=CheckState(LATELY, passed=False)), "rig weigh --port PORT"),
        (READY._replace(check=CheckState(LATELY, passed=True)), "live --port PORT --set larch"),
        (READY._replace(good_for_days=0.5), "rig weigh --port PORT"),
        (EMPTY._replace(sets=(BY_HAND,)), "note --set larch --at HEIGHT"),
        (READY._replace(sets=(BY_HAND,)), "note --set larch --at HEIGHT"),
        (
            EMPTY._replace(sets=(DONE._replace(by_hand=True), LARCH._replace(name="rowan"))),
            "note --set rowan --at HEIGHT",
        ),
        (READY._replace(sets=(DONE,)), "set check larch --at HEIGHT"),
        (READY._replace(sets=(DONE, HALF._replace(name="a b"))), "live --port PORT --set 'a b'"),
    ],
)
def test_each_state_has_its_next_command(state: BookState | None, command: str) -> None:
    assert next_step(state, NOW).command == command


def test_the_set_last_worked_on_goes_on_first() -> None:
    early = HALF._replace(name="rowan", last_utc="2026-11-20T12:00:00.000+00:00")
    assert "larch" in next_step(READY._replace(sets=(early, HALF, LARCH)), NOW).command


@pytest.mark.parametrize("name", ["larch", "oak-2", "la rch", "x;y", "a$b", "~home", "it's", "`x`"])
def test_a_name_is_shown_as_a_shell_takes_it(name: str) -> None:
    state = READY._replace(sets=(HALF._replace(name=name),))
    assert shlex.split(next_step(state, NOW).command)[-1] == name


SCALE = EMPTY._replace(sets=(LARCH,), scale_weighed=True)


@pytest.mark.parametrize(
    ("state", "builds", "command"),
    [
        (SCALE, [], "note --set larch --at HEIGHT"),
        (SCALE, ["engine.toml"], "plan engine.toml"),
        (EMPTY._replace(sets=(BY_HAND,)), ["engine.toml"], "plan engine.toml"),
        (
            EMPTY._replace(sets=(DONE._replace(by_hand=True),)),
            ["my car.toml"],
            "plan 'my car.toml'",
        ),
        # a rig was calibrated, or captured: its own path
        (READY._replace(scale_weighed=True), ["engine.toml"], "live --port PORT --set larch"),
        (SCALE._replace(capture=PORT), [], "rig weigh --port /dev/ttyUSB0"),
        (EMPTY._replace(sets=(LARCH,)), ["engine.toml"], "rig weigh --port PORT"),
    ],
)
def test_who_weighed_a_scale_and_has_no_rig_is_not_sent_to_one(state, builds, command) -> None:
    assert next_step(state, NOW, builds).command == command


def test_only_build_files_are_taken_for_such(tmp_path) -> None:
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'x'\n")
    (tmp_path / "engine.toml").write_text("[cam]\nname = 'x'\n[head]\n")
    (tmp_path / "two.toml").write_text("[cam.intake]\nx = 1\n[head.valves]\n")
    (tmp_path / "bad.toml").write_bytes(b"[cam]\n[head]\xff\xfe")
    assert build_files(tmp_path) == ["engine.toml", "two.toml"]
