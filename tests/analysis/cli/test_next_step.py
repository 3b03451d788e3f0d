"""The one next command, state by state, as the job goes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from coilbench.analysis.cli.status import next_step, shown_name
from coilbench.capture.book.state import BookState, CaptureState, CheckState, SetState

NOW = "2026-11-25T12:00:00.000+00:00"
LATELY = "2026-11-24T12:00:00.000+00:00"
LARCH = SetState("larch", "outer", 12, 0, 0, False, "")
EMPTY = BookState(False, False, {}, None, 90.0, (), None)
READY = replace(EMPTY, sets=(LARCH,), parts_utc={"load": LATELY, "travel": LATELY, "flex": LATELY})
PORT = CaptureState("/dev/ttyUSB0", "larch", NOW, running=False)
HALF = replace(LARCH, measured=5, begun=6, last_utc=LATELY)
DONE = replace(LARCH, measured=12, begun=12, last_utc=LATELY)
BY_HAND = replace(HALF, by_hand=True)


@pytest.mark.parametrize(
    ("state", "command"),
    [
        (None, "begin"),
        (EMPTY, "begin"),
        (replace(EMPTY, sets=(LARCH,)), "rig weigh --port PORT"),
        (
            replace(EMPTY, sets=(LARCH,), parts_utc={"load": LATELY}),
            "rig gauge --port PORT --lengths LENGTHS",
        ),
        (
            replace(READY, parts_utc={"load": LATELY, "travel": LATELY}),
            "rig flex --port PORT",
        ),
        (READY, "live --port PORT --set larch"),
        (replace(READY, capture=PORT), "live --port /dev/ttyUSB0 --set larch"),
        (replace(READY, sets=(HALF,)), "live --port PORT --set larch"),
        (
            replace(READY, sets=(HALF,), parts_utc={"load": LATELY, "travel": LATELY}),
            "live --port PORT --set larch",
        ),
        (replace(READY, capture=replace(PORT, running=True)), "live"),
        (
            replace(READY, capture=replace(PORT, running=True, seen_utc=LATELY)),
            "live --port /dev/ttyUSB0 --set larch",
        ),
        (replace(READY, check=CheckState(LATELY, passed=False)), "rig weigh --port PORT"),
        (replace(READY, check=CheckState(LATELY, passed=True)), "live --port PORT --set larch"),
        (replace(READY, good_for_days=0.5), "rig weigh --port PORT"),
        (replace(EMPTY, sets=(BY_HAND,)), "note --set larch --at HEIGHT"),
        (replace(READY, sets=(BY_HAND,)), "note --set larch --at HEIGHT"),
        (
            replace(EMPTY, sets=(replace(DONE, by_hand=True), replace(LARCH, name="rowan"))),
            "note --set rowan --at HEIGHT",
        ),
        (replace(READY, sets=(DONE,)), "set check larch --at HEIGHT"),
        (replace(READY, sets=(DONE, replace(HALF, name="a b"))), "live --port PORT --set 'a b'"),
    ],
)
def test_each_state_has_its_next_command(state: BookState | None, command: str) -> None:
    assert next_step(state, NOW).command == command


def test_the_set_last_worked_on_goes_on_first() -> None:
    early = replace(HALF, name="rowan", last_utc="2026-11-20T12:00:00.000+00:00")
    assert "larch" in next_step(replace(READY, sets=(early, HALF, LARCH)), NOW).command


@pytest.mark.parametrize("name", ["larch", "oak-2", "la rch", "x;y", "a$b", "~home~1a2b"])
def test_a_name_is_shown_as_a_shell_takes_it(name: str) -> None:
    assert shown_name(name).strip("'") == name
