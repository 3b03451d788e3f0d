"""The one next command, from the state a book is in."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from coilbench.capture.book.state import BookState, SetState
from coilbench.capture.calibration.age import GOOD_FOR_DAYS

RUNNING_S = 15.0  # a capture writes how it stands each second; a slow disk may hold it up
_PORT = "PORT"


@dataclass(frozen=True)
class NextStep:
    """What to type now.

    Attributes:
        command: without `coilbench`; words in capitals are for the person to fill in.
        why: in a few words, without a full stop.
        else_: for whom that is not right: what else; empty where there is nothing else.
    """

    command: str
    why: str
    else_: str = ""


def next_step(state: BookState | None, now_utc: str) -> NextStep:
    """Return the next command of the job.

    Args:
        state: None where there is no book yet.
        now_utc: now, ISO 8601.
    """
    if state is None or not state.sets:
        return NextStep(
            "set new NAME --role outer --count 12",
            "register the first set of springs",
            "New here? The whole job on a simulated rig: coilbench demo" if state is None else "",
        )
    if capture_runs(state, now_utc):
        return NextStep("live", "watch the capture that is running")
    unfinished = [one for one in state.sets if not one.done]
    if not unfinished:
        last = max(state.sets, key=lambda one: one.last_utc)
        return NextStep(
            f"set check {shown_name(last.name)} --at HEIGHT",
            "see which springs are weak",
            "Judged them all? Which go together: coilbench pair BUILD.toml",
        )
    # the one that was last worked on, else the first
    current = max(unfinished, key=lambda one: one.last_utc)
    return _measure(state, current, now_utc)


def _measure(state: BookState, current: SetState, now_utc: str) -> NextStep:
    name = shown_name(current.name)
    by_hand = f"note --set {name} --at HEIGHT"
    if _without_rig(state, current):
        return NextStep(by_hand, f"key in {current.name}'s other springs")
    port = _PORT if state.capture is None else shown_name(state.capture.source_url)
    if "load" not in state.parts_utc:
        return NextStep(
            f"rig weigh --port {port}",
            "calibrate the rig's load with known masses (rig find names the port)",
            "" if state.parts_utc else f"No rig, but a scale and a quill: coilbench {by_hand}",
        )
    if "travel" not in state.parts_utc:
        return NextStep(f"rig gauge --port {port} --lengths LENGTHS", "calibrate the rig's travel")
    if state.check is not None and not state.check.passed:
        return NextStep(
            f"rig weigh --port {port}", "find out why the last check FAILED, then calibrate"
        )
    if overdue(state, now_utc):
        return NextStep(f"rig weigh --port {port}", "calibrate the load again, it is over its age")
    if "flex" not in state.parts_utc and not any(one.begun for one in state.sets):
        return NextStep(f"rig flex --port {port}", "measure how far the press gives")
    return NextStep(f"live --port {port} --set {name}", f"press {current.name}'s other springs")


def _without_rig(state: BookState, current: SetState) -> bool:
    """Tell whether a set's springs are read by hand: as it was begun, else as the others were."""
    if current.begun:
        return current.by_hand
    return not state.parts_utc and any(one.by_hand for one in state.sets)


def capture_runs(state: BookState, now_utc: str) -> bool:
    """Tell whether a capture is running, from when it last wrote how it stands."""
    capture = state.capture
    return capture is not None and capture.running and -RUNNING_S <= seconds_since(
        capture.seen_utc, now_utc
    ) <= RUNNING_S  # fmt: skip


def overdue(state: BookState, now_utc: str) -> bool:
    """Tell whether the load calibration is older than it stands for."""
    made_utc = state.parts_utc.get("load")
    limit = GOOD_FOR_DAYS if state.good_for_days is None else state.good_for_days
    return made_utc is not None and seconds_since(made_utc, now_utc) > limit * 86400.0


def seconds_since(earlier_utc: str, now_utc: str) -> float:
    """Return the seconds from one moment to another, ISO 8601 each."""
    step = datetime.fromisoformat(now_utc) - datetime.fromisoformat(earlier_utc)
    return step.total_seconds()


def shown_name(name: str) -> str:
    """Return a name as a shell takes it."""
    return name if all(sign.isalnum() or sign in "-_./:~" for sign in name) else f"'{name}'"
