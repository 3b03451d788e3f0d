"""`set spring` on a sampled spring, a cracked one, and real ones read at four heights."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest

from coilbench.analysis.cli import run
from coilbench.capture.unit_factors import KGF_N
from coilbench.capture.virtual.spring import OUTER, SpringModel, draw_set

DATA = Path(__file__).parents[2] / "data"
NESTS = "8,9,10,12,13,14,15,16,17,18,19,20"
SPRINGS = draw_set(OUTER, 3, 4, cracked=1)


def stroke_csv(spring: SpringModel, seed: int) -> str:
    """One stroke down and up as `import` takes it."""
    rng = np.random.default_rng(seed)
    down = np.linspace(spring.free_length_mm + 2.0, spring.solid_height_mm + 1.5, 350)
    path = np.concatenate([down, down[::-1]])
    load_kg = (spring.pressed_load_n(path) + rng.normal(0.0, 0.3, path.size)) / KGF_N
    rows = zip(np.arange(path.size) * 0.01, load_kg, path, strict=True)
    return "t_s,load_kg,height_mm\n" + "".join(f"{t:.3f},{n:.4f},{h:.3f}\n" for t, n, h in rows)


@pytest.fixture(scope="module")
def book(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("book")
    path = str(folder / "book.db")
    dimensions = ["--free-length", "53mm", "--wire", "4.6mm", "--coil-diameter", "32mm"]
    new = ["set", "new", "larch", "--role", "outer", "--count", "4", *dimensions]
    assert run(["--book", path, *new, "--active-coils", "8"]) == 0
    for number, spring in enumerate(SPRINGS, 1):
        file = folder / f"{number}.csv"
        file.write_text(stroke_csv(spring, number), encoding="utf-8")
        given = ["import", str(file), "--set", "larch", "--label", f"larch-{number:02}"]
        assert run(["--book", path, *given]) == 0
    assert run(["--book", path, "set", "new", "nest", "--role", "single", "--labels", NESTS]) == 0
    real = str(DATA / "watertown1900_springs.csv")
    assert run(["--book", path, "import", real, "--set", "nest"]) == 0
    return path


def asked(book: str, capsys: pytest.CaptureFixture[str], *words: str) -> dict:
    capsys.readouterr()
    assert run(["--book", book, "set", "spring", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_every_number_of_a_sound_spring_holds_its_truth(book, capsys) -> None:
    at, truth = next((at, s) for at, s in enumerate(SPRINGS, 1) if s.crack_depth_mm is None)
    found = asked(book, capsys, "larch", f"larch-{at:02}", "--at", "38.5mm", "--at", "27.6mm")
    assert [each["method"] for each in found["rates"]] == [
        "window_ends",
        "least_squares",
        "robust",
        "two_heights",
    ]
    for each in found["rates"]:
        drop = float(truth.load_n(each["bottom_mm"]) - truth.load_n(each["top_mm"]))
        rate = drop / (each["top_mm"] - each["bottom_mm"])
        assert abs(each["rate_n_per_mm"] - rate) <= each["rate_u_n_per_mm"]
    for each in found["readings"]:
        true_n = float(truth.load_n(each["height_mm"]))
        assert abs(each["load_n"] - true_n) <= each["load_u_n"]
    contact = found["contact"]
    assert abs(contact["height_mm"] - truth.free_length_mm) <= contact["height_u_mm"]
    loop = found["hysteresis"]
    assert abs(loop["share"] - 2.0 * truth.friction_fraction) <= loop["share_u"]
    assert found["shape"]["kind"] == "one_rate"
    assert found["bind"] is None
    assert found["solid_height_mm"] is None
    # G d^4/(8 D^3 n) by hand, with the middle of the published moduli
    by_hand = 79_350.0 * 4.6**4 / (8.0 * 32.0**3 * 8.0)
    assert found["handbook"]["rate_n_per_mm"] == pytest.approx(by_hand)
    curve = found["curve"]
    assert len(curve["height_mm"]) == len(curve["stiffness_n_per_mm"]) > 80
    assert "free_length_finding" in found


def test_a_cracked_spring_shows_where_it_softens(book, capsys) -> None:
    at, spring = next((at, s) for at, s in enumerate(SPRINGS, 1) if s.crack_depth_mm is not None)
    found = asked(book, capsys, "larch", f"larch-{at:02}")
    knee = found["shape"]["knee"]
    crack_mm = spring.free_length_mm - spring.crack_depth_mm
    assert found["shape"]["kind"] == "two_rates"
    assert abs(knee["height_mm"] - crack_mm) <= 1.5 * knee["height_u_mm"]
    assert run(["--book", book, "set", "spring", "larch", f"larch-{at:02}"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "two rates with a knee" in out
    assert "look for a crack" in out


def test_the_window_and_the_caliper_are_the_users(book, capsys) -> None:
    words = ("larch", "larch-01", "--window", "20-80%", "--free-length", "55mm")
    found = asked(book, capsys, *words)
    free, low = found["free_length_mm"], found["lowest_mm"]
    assert found["window"]["top_mm"] == pytest.approx(free - 0.2 * (free - low))
    assert found["window"]["bottom_mm"] == pytest.approx(free - 0.8 * (free - low))
    assert re.search(r"\b55\.00 mm", found["free_length_finding"])
    assert "the datum is off" in found["free_length_finding"]


def test_four_readings_of_1900_claim_no_more_than_they_show(book, capsys) -> None:
    at = ("--at", "12.25in", "--at", "9.75in", "--branch", "loading")
    found = asked(book, capsys, "nest", "17", *at)
    assert found["shape"]["kind"] == "cannot_tell"
    assert (found["contact"], found["bind"], found["free_length_mm"]) == (None, None, None)
    assert found["solid_height_mm"] == pytest.approx(9.67 * 25.4)
    assert found["window"]["whole_range_instead"]
    two = next(each for each in found["rates"] if each["method"] == "two_heights")
    # the report's own loads: 15,080 lbf at 12.25 in, 44,200 at 9.75 in
    assert two["rate_n_per_mm"] == pytest.approx((44200 - 15080) / 2.5 * 4.4482216152605 / 25.4)
    assert "robust" not in [each["method"] for each in found["rates"]]
    units = ["--load-unit", "lbf", "--length-unit", "in"]
    assert run(["--book", book, *units, "set", "spring", "nest", "17", *at]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "can't tell: chosen heights" in out
    assert "15080" in out
    assert re.search(r"\b9\.670 in", out)


def test_a_narrow_screen_keeps_what_matters(book, capsys, monkeypatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    capsys.readouterr()
    assert run(["--book", book, "set", "spring", "larch", "larch-01"]) == 0
    out = capsys.readouterr().out
    assert max(len(line) for line in out.splitlines()) <= 40
    assert "stiffness" in out
    assert "\u2026" not in out  # nothing is cut off


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["larch", "oak-01"], "Its springs are"),
        (["larch", "larch-04"], "Measure it with"),
        (["larch", "larch-01", "--window", "70-30%"], "Write it like 30-70%"),
        (["larch", "larch-01", "--window", "0.3"], "Write it like 30-70%"),
        (["larch", "larch-01", "--free-length", "long"], "is not a length"),
        (["larch", "larch-01", "--free-length", "-1mm"], "above 0"),
        (["yew", "yew-01"], "yew"),
    ],
)
def test_bad_input_is_one_line(book, capsys, words, hint) -> None:
    before = Path(book).read_bytes()
    capsys.readouterr()
    assert run(["--book", book, "set", "spring", *words]) == 2
    caught = capsys.readouterr()
    assert hint in caught.err
    assert caught.err.strip().count("\n") == 0
    assert caught.out == ""
    assert Path(book).read_bytes() == before
