"""`coilbench plan` on a book: keyed press by press until it asks no more; pages, sets unread."""

from __future__ import annotations

import json
import math
import re
import shlex
from collections import Counter, defaultdict
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from coilbench.analysis.cli import run
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.inputs.plan_input import WEIGHED_U, read_shop
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.keyed_setup import SCALE_U_RELATIVE

SEAT_KG, OPEN_KG, SHUT_MM, LIFT_MM, OFFSET_MM = 34.0, 72.0, 39.0, 11.0, 2.0
BUILD = f"""
[cam]
name = "Lake four"
valve_lift = "{LIFT_MM} mm"
seat_load = "{SEAT_KG} kg"
seat_tolerance = "2 kg"
open_load = "{OPEN_KG} kg"
open_tolerance = "2 kg"
[head]
installed_height = "{SHUT_MM} mm"
inner_offset = "{OFFSET_MM} mm"
valves = 3
[[shims]]
thickness = "0.5 mm"
[limits]
max_shims = 1
[springs]
outer = ["larch", "rowan"]
inner = ["heron"]
"""
SINGLE = BUILD.replace('inner = ["heron"]', "").replace('["larch", "rowan"]', '["larch"]')
SETS = {  # role, kg with the valve shut, kg/mm
    "larch": ("outer", 21.0, 2.20),
    "rowan": ("outer", 23.5, 2.35),
    "heron": ("inner", 12.6, 1.22),
}
FREE_MM = {"larch": 48.5, "rowan": 49.0, "heron": 47.3}
SOLID_MM = {"larch": 25.5, "rowan": 24.0, "heron": 22.0}


def load_kg(name: str, spring: int, height_mm: float) -> float:
    """What a spring truly pushes; the last of larch lost a tenth of its load when shut."""
    role, shut_kg, rate = SETS[name]
    at_mm = SHUT_MM - (OFFSET_MM if role == "inner" else 0.0)
    own = 1.0 + 0.008 * (spring - 1.5)
    tired_kg = 0.1 * shut_kg if (name, spring) == ("larch", 3) else 0.0
    return max(own * (shut_kg + rate * (at_mm - height_mm)) - tired_kg, 0.0)


Book = Callable[..., list[str]]


@pytest.fixture
def new_book(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Book:
    """Make a book of sets with nothing read, and a build file; returns what a call begins with."""

    def make(*names: str, build: str = BUILD, free: bool = True, role: str = "") -> list[str]:
        book = ["--book", str(tmp_path / "b.db")]
        for name in names:
            new = ["set", "new", name, "--role", role or SETS[name][0], "--count", "4"]
            new += ["--free-length", f"{FREE_MM[name]}mm"] if free else []
            new += ["--solid-height", f"{SOLID_MM[name]}mm"] if free else []
            assert run([*book, *new]) == 0
        (tmp_path / "four.toml").write_text(build)
        capsys.readouterr()
        return book

    return make


def asked(book: list[str], capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    """Return the plan's document."""
    build = str(Path(book[1]).parent / "four.toml")
    assert run([*book, "plan", build, "--json", *options]) == 0
    return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]


def key_in(book: list[str], presses: list[dict[str, Any]], rng: np.random.Generator) -> None:
    """Read what is asked for as a scale with steps of 0.1 kg shows it, and key it in."""
    lines = defaultdict(list)
    for press in presses:
        name, label, height_mm = press["set"], press["label"], press["height_mm"]
        true_kg = load_kg(name, int(label.rsplit("-", 1)[1]) - 1, height_mm + rng.normal(0, 0.03))
        shown_kg = round(true_kg + rng.normal(0.0, 0.1), 1)
        lines[name].append(f"{label} {height_mm}mm {shown_kg:.1f}kg")
    for name, own in lines.items():
        assert run([*book, "note", "--set", name, "--repeatability", "0.1kg", *own]) == 0


def truly_best() -> tuple[str, float]:
    """By brute force: the outer set and shim whose sound springs' means are nearest to the card."""
    misses = {}
    for outer, shim_mm in product(("larch", "rowan"), (0.0, 0.5)):
        off = []
        for lift_mm, card_kg in ((0.0, SEAT_KG), (LIFT_MM, OPEN_KG)):
            sound = range(3) if outer == "larch" else range(4)
            at_mm = SHUT_MM - shim_mm - lift_mm
            total = np.mean([load_kg(outer, spring, at_mm) for spring in sound])
            total += np.mean([load_kg("heron", spring, at_mm - OFFSET_MM) for spring in range(4)])
            off.append((total - card_kg) / 2.0)
        misses[outer, shim_mm] = math.hypot(*off)
    return min(misses, key=misses.__getitem__)


def test_keyed_press_by_press_until_done(
    new_book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    book, rng = new_book(*SETS), np.random.default_rng(5)
    stages, made, seen = [], 0, Counter[tuple[str, float]]()
    while True:
        plan = asked(book, capsys)
        stages.append(plan["stage"])
        if plan["done"]:
            break
        for press in plan["presses"]:
            name, height_mm = press["set"], press["height_mm"]
            assert SOLID_MM[name] + 1.0 <= height_mm < FREE_MM[name]
            assert press["depth_mm"] == pytest.approx(FREE_MM[name] - height_mm)
            assert press["why"]
            seen[name, height_mm] += 1
        made += len(plan["presses"])
        assert made < 120
        assert plan["remaining"] >= len(plan["presses"])
        key_in(book, plan["presses"], rng)
        capsys.readouterr()
    assert stages[0] == "begin"
    order = ["begin", "decide", "tired", "valve", "done"]
    assert set(stages) <= set(order)
    assert plan["presses"] == []
    assert plan["made"] == made
    assert plan["risk"] < 0.02
    best = plan["best"]
    assert (best["outer"], best["shim_mm"]) == truly_best()
    assert (best["inner"], best["seat_cut_mm"]) == ("heron", 0.0)


def test_sets_without_any_reading(
    new_book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The caution comes before the presses, and what is unknown is said; so on the page."""
    book = new_book(*SETS, free=False)
    plan = asked(book, capsys)
    assert (plan["stage"], plan["best"], plan["risk"], plan["rivals"]) == ("begin", None, None, [])
    assert {press["depth_mm"] for press in plan["presses"]} == {None}
    assert sorted(plan["solid_unknown"]) == sorted(SETS)
    build, page = str(tmp_path / "four.toml"), tmp_path / "p.html"
    assert run([*book, "plan", build]) == 0
    text = capsys.readouterr().out
    assert text.index("blind") < text.index("larch-01")
    assert text.count("blind") == 2  # above many rows it scrolls off, so below them, too
    assert text.rindex("blind") > text.index("pressed so far")
    assert "free length" in text
    assert "No solid height" in text
    for options in ([], ["--once"]):
        assert run([*book, "plan", build, "--sheet", str(page), "--force", *options]) == 0
        html = page.read_text(encoding="utf-8")
        capsys.readouterr()
        assert html.index("blind") < html.index("larch-01")
        assert html.count('class="write"') == 2 * len(asked(book, capsys, *options)["presses"])
        assert "<script" not in html
        assert not re.search(r'(src|href)="', html)


def test_single_springs(new_book: Book, capsys: pytest.CaptureFixture[str]) -> None:
    book = new_book("larch", build=SINGLE, role="single")
    for options in ([], ["--once"]):
        plan = asked(book, capsys, *options)
        assert {press["set"] for press in plan["presses"]} == {"larch"}
        key_in(book, plan["presses"], np.random.default_rng(2))
        capsys.readouterr()
    plan = asked(book, capsys)
    assert plan["best"]["inner"] is None
    assert plan["made"] == 2 * 4 + 2 * 2


def test_it_goes_on_from_whole_strokes(
    new_book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A stroke over both windows is one press, and nothing of its spring is asked for to begin."""
    book = new_book(*SETS)
    for name in SETS:
        for spring in range(4):
            down = np.linspace(FREE_MM[name] + 0.6, SOLID_MM[name] + 1.2, 400)
            heights = np.concatenate([down, down[::-1]])
            rows = ["t_s,load_kg,height_mm"]
            rows += [
                f"{0.01 * at:.2f},{load_kg(name, spring, mm):.4f},{mm:.4f}"
                for at, mm in enumerate(heights)
            ]
            file = tmp_path / f"{name}-{spring}.csv"
            file.write_text("\n".join(rows))
            label = f"{name}-{spring + 1:02}"
            given = ["import", str(file), "--set", name, "--label", label]
            assert run([*book, *given]) == 0
    capsys.readouterr()
    plan = asked(book, capsys)
    assert plan["made"] == 12
    assert plan["stage"] != "begin"
    assert (plan["best"]["outer"], plan["best"]["shim_mm"]) == truly_best()
    assert asked(book, capsys, "--once")["done"]


def test_a_flagged_spring_is_left_out_and_its_presses_count(
    new_book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    """As in pairing: by the one judgement of a set."""
    book = new_book("larch", build=SINGLE, role="single")
    lines = [
        f"larch-{n + 1:02} {mm}mm {load_kg('larch', n, mm) * (0.7 if n == 3 else 1.0):.2f}kg"
        for n in range(4)
        for mm in (27.5, 28.0, 38.5, 39.0)
    ]
    fine = ("--resolution", "0.01kg", "--repeatability", "0.02kg", "--quill", "0.01mm")
    assert run([*book, "note", "--set", "larch", "--yes", *fine, *lines]) == 0
    build = str(Path(book[1]).parent / "four.toml")
    run([*book, "assign", build, "--json"])
    out = capsys.readouterr().out
    assert json.loads(out[out.index("{") :])["left_out"] == ["larch-04"]
    plan = asked(book, capsys)
    assert (plan["made"], plan["left_out"]) == (16, ["larch-04"])
    assert "larch-04" not in {press["label"] for press in plan["presses"]}


def test_a_scale_that_was_not_weighed_is_said_apart(
    new_book: Book, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    book, rng = new_book(*SETS), np.random.default_rng(4)
    key_in(book, asked(book, capsys)["presses"], rng)
    capsys.readouterr()
    plan = asked(book, capsys)
    assert plan["common_risk"] != plan["risk"]
    monkeypatch.setattr("coilbench.analysis.engine.press_plan.STOP_RISK", 0.0)
    assert run([*book, "plan", str(Path(book[1]).parent / "four.toml")]) == 0
    assert "coilbench rig weigh --scale" in capsys.readouterr().out


def test_a_weighed_scale_errs_less_in_common(
    new_book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, build = new_book(*SETS), parse_build(BUILD, "four.toml")
    table = tmp_path / "scale.csv"
    table.write_text("mass_kg,shown_kg\n" + "\n".join(f"{m},{m}.0" for m in (0, 20, 40, 60, 20, 0)))
    assert run([*book, "rig", "weigh", "--scale", "bath", "--from", str(table)]) == 0

    def common_u() -> float:
        with open_book(Path(book[1])) as db:
            return read_shop(db, build).common_u

    assert common_u() == SCALE_U_RELATIVE
    weighed = ["note", "--set", "larch", "--scale", "bath", "larch-01 38.5mm 22.1kg"]
    assert run([*book, *weighed]) == 0
    assert common_u() == WEIGHED_U
    assert run([*book, "note", "--set", "rowan", "--scale", "none", "rowan-01 38.5mm 24.7kg"]) == 0
    assert common_u() == SCALE_U_RELATIVE


@pytest.mark.parametrize(("kept", "limit"), [("3%", 0.03), ("8%", 0.05), (None, 0.05)])
def test_a_set_s_own_tolerance_says_what_is_weak(
    new_book: Book, kept: str | None, limit: float
) -> None:
    """The narrower of the nominal's and 5 %, as the check of a set judges by both."""
    book = new_book("larch", build=SINGLE)
    nominal = ["set", "nominal", "larch", "21kg@39mm", *(["--tolerance", kept] if kept else [])]
    assert run([*book, *nominal]) == 0
    with open_book(Path(book[1])) as db:
        shop = read_shop(db, parse_build(SINGLE, "four.toml"))
    assert shop.sets["larch"].tolerance == pytest.approx(limit)


@pytest.mark.parametrize(
    ("options", "says"),
    [(["--force"], "--sheet"), (["--once", "--every-set"], "--once")],
)
def test_options_that_say_nothing_are_refused(
    new_book: Book, capsys: pytest.CaptureFixture[str], options: list[str], says: str
) -> None:
    book = new_book(*SETS)
    assert run([*book, "plan", str(Path(book[1]).parent / "four.toml"), *options]) == 2
    said = capsys.readouterr()
    assert says in said.err
    assert len(said.err.splitlines()) == 1


def test_a_page_that_is_there_is_kept(
    new_book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, page = new_book(*SETS), tmp_path / "p.html"
    page.write_text("mine")
    assert run([*book, "plan", str(tmp_path / "four.toml"), "--sheet", str(page)]) == 2
    assert page.read_text() == "mine"


def test_a_set_of_another_role_is_refused(
    new_book: Book, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = new_book("larch", "rowan", "heron", role="outer")
    assert run([*book, "plan", str(tmp_path / "four.toml")]) == 2
    assert "heron" in capsys.readouterr().err


def test_the_printed_command_takes_readings_as_the_last_were_taken(
    new_book: Book, capsys: pytest.CaptureFixture[str]
) -> None:
    """Run as it is printed, it stores a reading with the tare of those before."""
    book = new_book("larch", "rowan", "heron")
    first = ["note", "--set", "larch", "--tare", "3.2kg", "--resolution", "0.2kg"]
    assert run([*book, *first, "larch-01 39mm 24.2kg"]) == 0
    capsys.readouterr()
    assert run([*book, "plan", str(Path(book[1]).parent / "four.toml")]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    command = re.search(r"coilbench (note --set .*?), then", printed)
    assert command is not None
    words = shlex.split(command[1])
    assert words[words.index("--tare") + 1] == "3.2kg"
    assert words[words.index("--resolution") + 1] == "0.2kg"
