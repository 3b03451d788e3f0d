"""Scenes of a dashboard in which something is wrong, drawn, and large type found in them."""

from __future__ import annotations

import io
import math
from typing import Any

from msgspec.structs import replace
from rich.console import Console

from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.keys import HELP
from coilbench.analysis.dashboard.large_type import large
from coilbench.analysis.dashboard.scene import Scene, SetTable, SpringRow
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import FaultCode, Finding
from coilbench.capture.running.commands import Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

WEAK = SpringRow("larch-04", 3, (222.0, 390.0), ("weak",), ("18.1% below the set's middle",))
ROWS = tuple(replace(WEAK, label=f"larch-{n:02d}") for n in range(1, 13))
BAND = tuple((53.0 - d, d * 15.8, d * 16.3) for d in range(28))
REFUSED = Event.of(
    EventKind.REFUSED, "stroke_refused", label="larch-02", purpose="measured", stroke=1, strokes=3,
    status="aborted", cure="mend_rig", findings=[{"kind": "overload", "load_n": 1971.3,
                                                  "rating_n": 1961.33, "part": "cell"}],
)  # fmt: skip
LIVE = Snapshot(
    "larch", "serial:///dev/ttyUSB0", link="up", rate_hz=92.7, samples=9000, sample_age_s=0.1,
    load_n=222.8, height_mm=38.42, free_length_mm=53.0, phase="press", springs=12, springs_done=1,
    turn=Turn("larch-02", Purpose.MEASURED, 1, 3), restarts=3,
    curve=tuple((53.0 - at * 0.25, at * 4.0) for at in range(60)),
).after(REFUSED)  # fmt: skip
SCENE = Scene(
    LIVE, SetTable((38.5, 27.6), 3, ROWS, 24.0, band=BAND), Units(), (38.5, 27.6),
    "calibrated 3 days ago; check with 20 kg passed a day ago", HELP,
)  # fmt: skip

ALARMS = {
    "overload": {"load_n": 1971.3, "rating_n": 1961.33, "part": "press"},
    "amplifier_at_limit": {},
    "below_faces": {"height_mm": -12.34},
    "below_solid": {"height_mm": 23.12, "solid_height_mm": 24.0},
    "above_free": {"height_mm": 61.23, "free_length_mm": 53.0, "load_n": 204.4},
    "travel_dead": {"load_n": 204.4},
    "travel_reversed": {"load_n": 204.4, "rose_mm": 4.32},
    "load_dead": {"height_mm": 31.23, "touch_mm": 52.87},
    "load_reversed": {"load_n": -204.4},
    "coils_bind": {"height_mm": 24.12, "load_n": 412.3},
    "load_still": {"moved_mm": 3.12, "load_n": 145.2},
    "slipped": {"way": "down", "height_mm": 41.77, "step_n": -26.1},
    "travel_jumped": {"jump_mm": 2.0, "height_mm": 41.77},
}
GONE = {
    "kind": "port_gone",
    "where": "/dev/serial/by-id/usb-1a86_USB_Serial-if00-port0",
    "system": "Input/output error",
}
LOST = Finding.of("link_lost", cause=GONE)
NO_LOAD = {"load_n": None, "height_mm": None, "phase": "unknown", "curve": ()}
DATUM = {"datum": Finding.of("datum_lost"), "height_mm": None, "turn": None, "curve": ()}
OTHER = Finding.of(
    "another_spring", label="larch-02", own=False, reason="level", height_mm=38.5, load_n=190.0,
    usual_n=226.0, off_share=0.15, others=4)  # fmt: skip
DOUBT = Finding.of("datum_doubted", why={"kind": "slipped"} | ALARMS["slipped"])
STATES: dict[str, dict[str, Any]] = {
    "pressed: another_spring": {"alarm": OTHER},
    "pressed: touched_low": {"alarm": Finding.of("touched_low", touch_mm=46.95,
                                                 free_length_mm=53.0)},
    **{kind: {"alarm": Finding(kind, facts)} for kind, facts in ALARMS.items()},
    "coil bind": {"height_mm": 25.4},
    "link lost": {**NO_LOAD, "link": "lost", "link_what": LOST, "load_unknown": LOST},
    "no sample": {**NO_LOAD, "sample_age_s": 4.2,
                  "load_unknown": Finding.of("no_sample", quiet_s=4.2, source="x")},
    "no reading": {**NO_LOAD, "load_unknown": Finding.of("no_reading")},
    **{f"fault {code.name}": {**NO_LOAD, "load_unknown": Finding.of("rig_fault", code=code),
                              "link_what": Finding.of("rig_fault", code=code)}
       for code in FaultCode},
    "datum lost": DATUM,
    "datum in doubt": {**DATUM, "datum": DOUBT, "question": DOUBT},
    "datum in doubt, and said so": {**DATUM, "datum": DOUBT},
    "quill low": {"quill_low": Finding.of("quill_low", moved_mm=-0.5), "phase": "idle",
                  "load_n": 0.1},
    "gauge differs": {"question": Finding.of("datum_differs", height_mm=29.5, moved_mm=-0.5,
                                             u_mm=0.02)},
    "presses by another datum": {"question": Finding.of(
        "strokes_in_doubt", presses=12, labels=["larch-01", "larch-02", "larch-03", "larch-04"],
        moved_mm=-0.5)},
    "solid height": {"question": Finding.of("solid_seen", label="larch-02", solid_mm=24.48,
                                            u_mm=0.58)},
    "another spring": {"question": Finding.of(
        "another_spring", label="larch-02", reason="level", height_mm=38.5, load_n=190.0,
        usual_n=226.0, off_share=0.15, others=4)},
    "finish": {"question": Finding.of("finish_unfinished", left=7, springs=12,
                                      labels=["larch-02", "larch-03", "larch-04"])},
}  # fmt: skip
STOPS = [*ALARMS, "coil bind"]


def scene_of(*states: str) -> Scene:
    changes: dict[str, Any] = {}
    for state in states:
        changes |= STATES[state]
    return replace(SCENE, snapshot=replace(LIVE, **changes))


def drawn(scene: Scene, width: int = 80, height: int = 24, *, ascii_only: bool = False) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=False)
    console.print(frame(scene, width=width, height=height, ascii_only=ascii_only))
    return out.getvalue()


def holds(text: str, words: str) -> bool:
    """Tell whether words stand in a frame whole, however their lines are broken."""
    return "".join(words.split()) in "".join(text.split())


# how much narrower than one character a dot, rows of letters, only signs of ASCII
SIZES = (
    (0.5, 10, True),
    (0.5, 10, False),
    (1, 5, True),
    (1, 5, False),
    (1, 3, False),
    (2, 3, False),
)


def is_large(text: str, words: str) -> bool:
    """Tell whether a frame shows words in letters of some size, on one line or more."""
    lines = text.splitlines()
    return any(
        all(_stands(lines, _letters(word, narrow, rows, plain)) for word in words.split())
        for narrow, rows, plain in SIZES
    )


def _letters(word: str, narrow: float, rows: int, plain: bool) -> list[str]:
    whole = large(word, width=200, rows=5, ascii_only=True)
    assert whole is not None
    width = math.ceil(len(whole[0]) / narrow)
    return large(word, width=width, rows=rows, ascii_only=plain) or ["no such size"]


def _stands(lines: list[str], letters: list[str]) -> bool:
    return all(any(row.strip() in line for line in lines) for row in letters)
