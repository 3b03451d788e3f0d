"""A scene for golden frames and the README's picture: invented springs on an invented rig.

The frames: `python tests/bench/demo_scene.py golden`.
The picture: `python tests/bench/demo_scene.py svg > hardware/pictures/dashboard.svg`.
"""

from __future__ import annotations

import io
import sys
import time
from pathlib import Path
from typing import Any

from msgspec.structs import replace
from rich.console import Console
from rich.live import Live
from rich.terminal_theme import DEFAULT_TERMINAL_THEME

from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.keys import HELP
from coilbench.analysis.dashboard.scene import Scene, SetTable, SpringRow
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

# (seat load, open load) in N of the springs pressed so far; birch-03 is tired
LOADS_N = ((226.9, 402.1), (226.4, 399.5), (196.1, 352.3), (227.4, 401.0))
FREE_MM, RATE_N_PER_MM = 53.0, 16.0
BAND = tuple((53.0 - d, 14.2 * d, 16.0 * d + 0.01 * d * d) for d in range(0, 28, 3))
CURVE = tuple((53.0 - d * 0.5, 16.0 * d * 0.5) for d in range(39))


def kept(
    label: str,
    stroke: int,
    strokes: int,
    peak_n: float,
    lowest_mm: float,
    purpose: Purpose = Purpose.MEASURED,
    next_label: str | None = None,
) -> Event:
    facts = {"label": label, "purpose": purpose, "stroke": stroke, "strokes": strokes}
    facts |= {"peak_n": peak_n, "lowest_mm": lowest_mm, "next_label": next_label, "findings": []}
    facts |= {"peak_u_n": 0.9, "lowest_u_mm": 0.03}
    return Event(EventKind.KEPT, Finding("stroke_kept", facts))


REFUSED = Event.of(
    EventKind.REFUSED,
    "stroke_refused",
    label="birch-05",
    purpose=Purpose.MEASURED,
    stroke=1,
    strokes=3,
    status="aborted",
    findings=[{"kind": "pressed_short", "depth_mm": 18.2, "usual_depth_mm": 27.0}],
)
SNAPSHOT = Snapshot(
    set_name="birch",
    source="serial:///dev/ttyUSB0",
    link="up",
    link_what=Finding.of("rig", firmware="coilbench-0.1.0", device_id="00000000C0FFEE00"),
    rate_hz=92.7,
    samples=8412,
    sample_age_s=0.04,
    load_n=304.2,
    height_mm=34.0,
    free_length_mm=FREE_MM,
    phase="press",
    turn=Turn("birch-05", Purpose.MEASURED, 2, 3),
    springs_done=4,
    springs=12,
    events=(
        (21, kept("birch-04", 3, 3, 429.04, 25.96, next_label="birch-05")),
        (22, kept("birch-05", 1, 2, 429.63, 25.95, Purpose.CONDITIONING)),
        (23, kept("birch-05", 2, 2, 429.24, 25.94, Purpose.CONDITIONING)),
        (24, REFUSED),
        (25, kept("birch-05", 1, 3, 429.14, 25.93)),
    ),
    curve=CURVE,
)
WEAK = (
    "20.00 kg at 38.50 mm is 13.5% below the set's middle of 23.11 kg "
    "(tolerance 1.16 kg, uncertainty 0.02 kg)"
)
ROWS = tuple(
    SpringRow(
        f"birch-{number:02d}",
        3 if number <= 4 else int(number == 5),
        LOADS_N[number - 1] if number <= len(LOADS_N) else (None, None),
        ("weak",) if number == 3 else (),
        (WEAK,) if number == 3 else (),
    )
    for number in range(1, 13)
)
SCENE = Scene(
    SNAPSHOT,
    SetTable((38.5, 27.6), 3, ROWS, 24.0, band=BAND),
    Units(),
    (38.5, 27.6),
    "calibrated 3 days ago; check with 20 kg passed a day ago",
    HELP,
)
GOLDEN = Path(__file__).parents[1] / "analysis" / "dashboard" / "golden"
LOOKS = {  # width, height, ASCII only
    "80x24": (80, 24, False),
    "200x60": (200, 60, False),
    "120x36": (120, 36, False),
    "80x24-ascii": (80, 24, True),
}


def changed(**changes: Any) -> Scene:
    """Return the scene with something else in its snapshot."""
    return replace(SCENE, snapshot=replace(SNAPSHOT, **changes))


GONE = {"kind": "port_gone", "where": "/dev/ttyUSB0", "system": "Input/output error"}
LOST = Finding.of("link_lost", cause=GONE)
LOW = Finding.of("quill_low", moved_mm=-0.25)
RESCUED = Event.of(
    EventKind.RESCUED, "strokes_rescued", strokes=1, rescued=[
        {"set": "birch", "label": "birch-04", "samples": 264, "seconds": 3.3}])  # fmt: skip
WAITS = Event.of(
    EventKind.WAITS, "stroke_refused", label="birch-05", purpose=Purpose.CONDITIONING, stroke=1,
    strokes=2, status="aborted", waits=True, cure="let_up", findings=[LOW.to_document()],
)  # fmt: skip
LAST = {"label": "birch-01", "presses": 33, "u_mm": 0.02}
CLOSED = Finding("set_closed", {**LAST, "moved_mm": -0.01, "load_n": -0.16, "load_u_n": 0.32})
DIFFERS = Finding("closing_differs", {**LAST, "moved_mm": 0.09, "load_n": 1.4})
OPEN = Finding("sets_not_closed", {"sets": ["birch"], "label": "birch-01"})
KEEP = Finding("strokes_in_doubt", {
    **DIFFERS.facts, "closing": "birch-01", "shown": False, "presses": 6,
    "labels": ["birch-02", "birch-03"], "each": [3, 3]})  # fmt: skip
BESIDE = Event.of(
    EventKind.WAITS, "stroke_refused", label="birch-02", purpose=Purpose.MEASURED, stroke=1,
    strokes=3, status="aborted", waits=True, cure="answer_first",
    findings=[{"kind": "datum_doubted", "why": DIFFERS.to_document(), "label": None}],
)  # fmt: skip


def done(closed: Finding) -> Scene:
    """Return a set that is done, and what is known of its end."""
    said = ((30, Event(EventKind.DONE, closed)),) if closed is CLOSED else ()
    return changed(
        closed=closed, turn=None, phase="idle", load_n=0.1, height_mm=74.7, curve=(), ends_in_s=28,
        springs_done=12, events=((29, kept("birch-12", 3, 3, 429.04, 25.96)), *said),
    )  # fmt: skip


ALARMS = {  # and what must not be missed
    "stop-80x24": (80, 24, False, changed(
        load_n=1975.3, alarm=Finding.of("overload", load_n=1975.3, rating_n=1961.33, part="cell"))),
    "stop-40x12-ascii": (40, 12, True, changed(
        alarm=Finding.of("below_solid", height_mm=23.1, solid_height_mm=24.0))),
    "lost-80x24": (80, 24, False, changed(
        link="lost", link_what=LOST, load_unknown=LOST, load_n=None, height_mm=None,
        phase="unknown", curve=(), restarts=1)),
    "datum-80x24": (80, 24, False, changed(
        datum=Finding.of("datum_lost"), height_mm=None, turn=None, curve=(), phase="idle",
        load_n=0.2, restarts=1)),
    "question-80x24": (80, 24, False, changed(question=Finding.of(
        "another_spring", label="birch-05", reason="level", height_mm=38.5, load_n=190.2,
        usual_n=226.9, off_share=-0.16, others=4))),
    "low-80x24": (80, 24, False, changed(
        quill_low=LOW, phase="idle", load_n=0.1, height_mm=74.7, curve=(),
        events=((25, RESCUED), (26, WAITS)))),
    "closed-80x24": (80, 24, False, done(CLOSED)),
    "closed-60x20": (60, 20, False, done(CLOSED)),
    "closed-40x12-ascii": (40, 12, True, done(CLOSED)),
    "differs-80x24": (80, 24, False, done(DIFFERS)),
    "differs-60x20": (60, 20, False, done(DIFFERS)),
    "unclosed-80x24": (80, 24, False, done(OPEN)),
    "unclosed-40x12-ascii": (40, 12, True, done(OPEN)),
    "keep-80x24": (80, 24, False, replace(changed(
        question=KEEP, datum=Finding.of("datum_doubted", why=DIFFERS.to_document(), label=None),
        phase="idle", load_n=0.1, turn=None, curve=(), height_mm=None,
        events=((25, BESIDE), (26, Event(EventKind.QUESTION, KEEP)))), said="")),
    "keep-60x20": (60, 20, False, replace(changed(
        question=KEEP, datum=Finding.of("datum_doubted", why=DIFFERS.to_document(), label=None),
        phase="idle", load_n=0.1, turn=None, curve=(), height_mm=None,
        events=((25, BESIDE), (26, Event(EventKind.QUESTION, KEEP)))), said="")),
    "no-question-60x20": (60, 20, False, replace(changed(
        quill_low=LOW, phase="idle", load_n=0.1, height_mm=74.7, curve=()),
        said="y: no question is asked now; first: LET IT UP")),
}  # fmt: skip

SVG = """<svg viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{ font-family: "DejaVu Sans Mono", monospace; font-size: {char_height}px; }}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}" />
</clipPath>
{lines}
</defs>
<rect width="{width}" height="{height}" fill="#ffffff" stroke="#888888" />
<g transform="translate({terminal_x}, {terminal_y})" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">
{matrix}
</g>
</g>
</svg>
"""


def drawn(width: int, height: int, ascii_only: bool, scene: Scene = SCENE) -> str:
    """Return a scene as plain text."""
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=False)
    console.print(frame(scene, width=width, height=height, ascii_only=ascii_only))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def picture(width: int = 110, height: int = 34) -> str:
    """Return the scene as an SVG that needs nothing from elsewhere."""
    out = Console(
        file=io.StringIO(),
        record=True,
        width=width,
        height=height,
        force_terminal=True,
        _environ={},
    )
    out.print(frame(SCENE, width=width, height=height, ascii_only=False))
    return out.export_svg(title="", code_format=SVG, unique_id="live", theme=DEFAULT_TERMINAL_THEME)


def main() -> None:
    """Show the scene full-screen as `live` does, for a minute; or write picture or frames."""
    if "golden" in sys.argv:
        for name, look in {**LOOKS, **ALARMS}.items():
            (GOLDEN / f"live-{name}.txt").write_text(drawn(*look), "utf-8")
        return
    if "svg" in sys.argv:
        print(picture(), end="")
        return
    out = Console(highlight=False)
    end_s = time.monotonic() + 60.0
    with Live(console=out, auto_refresh=False, screen=True) as live:
        while time.monotonic() < end_s:  # again and again: no frame leaves a trace of the last
            shown = frame(SCENE, width=out.width, height=out.height, ascii_only="ascii" in sys.argv)
            live.update(shown, refresh=True)
            time.sleep(0.2)


if __name__ == "__main__":
    main()
