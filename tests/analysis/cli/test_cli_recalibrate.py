"""Recalibrating an old book: derived numbers follow, raw ones stay, old and new side by side."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlite_utils import Database

from coilbench.analysis.cli import run
from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.strokes.sweep import apply
from support.edits import change

KG = 9.80665
AT = ("38.5mm", "30mm")
MASSES = (0, 5, 10, 20, 40, 60, 40, 20, 10, 5, 0)


def weights(counts_per_kg: float) -> str:
    return "mass_kg,counts\n" + "".join(
        f"{m},{30_000 + counts_per_kg * m + 5 * (-1) ** n:.0f}\n" for n, m in enumerate(MASSES)
    )


def gauges(counts_per_mm: float, start: float = 14_000.0) -> str:
    return "length_mm,counts\n" + "".join(
        f"{h},{start - counts_per_mm * h:.0f}\n" for h in (0, 20, 40, 60)
    )


def stroke() -> str:
    """A spring of 20 N/mm and 52 mm, on a rig of 24 500 counts a kg and 200 a mm."""
    height = np.concatenate([np.linspace(55, 27, 400), np.linspace(27, 55, 400)])
    load_kg = np.maximum(0.0, 20.0 * (52.0 - height)) / KG
    return "t_s,load_counts,travel_counts\n" + "".join(
        f"{n / 90:.4f},{30_000 + 24_500 * w:.0f},{14_000 - 200 * h:.0f}\n"
        for n, (w, h) in enumerate(zip(load_kg, height, strict=True))
    )


class Bench:
    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.book = str(folder / "book.db")

    def call(self, *arguments: str) -> int:
        return run(["--book", self.book, *arguments])

    def file(self, name: str, text: str) -> str:
        path = self.folder / name
        path.write_text(text)
        return str(path)

    def calibrate(self, counts_per_kg: float, counts_per_mm: float) -> None:
        assert self.call("rig", "weigh", "--from", self.file("w.csv", weights(counts_per_kg))) == 0
        assert self.call("rig", "gauge", "--from", self.file("g.csv", gauges(counts_per_mm))) == 0

    def check(self, *more: str) -> dict[str, Any]:
        self.capsys.readouterr()
        at = [word for height in AT for word in ("--at", height)]
        assert self.call("set", "check", "a", *at, *more, "--json") in (0, 1)
        return json.loads(self.capsys.readouterr().out)  # type: ignore[no-any-return]

    def raw(self) -> list[tuple[Any, ...]]:
        with Database(self.book) as db:
            rows = db.execute(
                "SELECT id, samples_blob, zero_counts, calibration_id FROM sweeps"
            ).fetchall()
            rows += db.execute("SELECT * FROM curve_rows").fetchall()
            db.close()
        return rows


@pytest.fixture
def bench(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Bench:
    made = Bench(tmp_path, capsys)
    made.calibrate(24_500, 200)
    assert made.call("set", "new", "a", "--role", "outer", "--labels", "a-01") == 0
    sweep = made.file("stroke.csv", stroke())
    assert made.call("import", sweep, "--set", "a", "--label", "a-01") == 0
    return made


def loads(told: dict[str, Any]) -> list[float]:
    return [reading["load_n"] for reading in told["springs"][0]["readings"]]


def test_by_its_own_calibration_the_truth_is_read(bench: Bench) -> None:
    assert loads(bench.check()) == pytest.approx([20 * 13.5, 20 * 22.0], rel=2e-3)


def test_a_newer_calibration_changes_every_derived_number_and_no_raw_one(bench: Bench) -> None:
    """The masses were 2 % lighter than thought: the same counts are 2 % less load."""
    before = bench.raw()
    own = bench.check()
    bench.calibrate(25_000, 200)
    assert loads(bench.check()) == loads(own)  # own: as captured
    new = bench.check("--calibration", "newest")
    assert loads(new) == pytest.approx([x * 24_500 / 25_000 for x in loads(own)], rel=1e-3)
    assert new["springs"][0]["rate_n_per_mm"] == pytest.approx(
        own["springs"][0]["rate_n_per_mm"] * 0.98, rel=1e-3
    )
    assert new["calibration"] != "own"
    (captured,) = new["captured_with"]
    assert captured["calibration_id"] != new["calibration"]
    assert captured["sweeps"] == 1
    assert bench.raw() == before


def test_old_against_new_is_shown_with_both_names(bench: Bench) -> None:
    bench.calibrate(25_000, 200)
    told = bench.check("--calibration", "newest", "--against", "own")
    readings = told["against"]["readings"]
    assert told["against"]["calibration"] == "own"
    for reading in readings:
        assert reading["load_n"] == pytest.approx(reading["against_n"] * 0.98, rel=1e-3)
        assert reading["load_u_n"] > 0
    bench.capsys.readouterr()
    at = ("--at", "38.5mm")
    assert bench.call("set", "check", "a", *at, "--calibration", "newest", "--against", "own") == 0
    shown = bench.capsys.readouterr().out
    assert f"Read with calibration {told['calibration']}; captured with" in shown
    assert "by own" in shown
    assert "-0.55" in shown  # 2 % of 27.5 kg


def test_an_earlier_calibration_is_named_by_the_first_figures_of_its_id(bench: Bench) -> None:
    own = bench.check()
    first = own["captured_with"][0]["calibration_id"]
    bench.calibrate(25_000, 200)
    assert loads(bench.check("--calibration", first[:8])) == loads(own)


def test_another_scale_factor_moves_the_heights(bench: Bench) -> None:
    """Both datums were read from files, of the same unknown start: the new one is taken whole."""
    bench.calibrate(24_500, 202)
    new = bench.check("--calibration", "newest")
    # heights by the new factor are 200/202 of the old: the spring seems shorter by that
    true = [20 * (52 - 38.5 * 202 / 200), 20 * (52 - 30 * 202 / 200)]
    assert loads(new) == pytest.approx(true, rel=4e-3)


def test_a_datum_of_another_start_is_left_alone(bench: Bench) -> None:
    """An incremental scale counts from where it was switched on: the own datum stays."""
    own = bench.check()
    table = bench.file("w.csv", weights(24_500)), bench.file("g.csv", gauges(200, start=3_000))
    assert bench.call("rig", "weigh", "--from", table[0]) == 0
    assert bench.call("rig", "gauge", "--from", table[1]) == 0
    change(
        bench.book,
        "UPDATE calibration_parts SET boot_id = 77 WHERE rowid ="
        " (SELECT max(rowid) FROM calibration_parts WHERE kind = 'travel')",
    )
    assert loads(bench.check("--calibration", "newest")) == pytest.approx(loads(own), rel=1e-3)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            ("--calibration", "nonsense"),
            "no calibration whose id begins with 'nonsense'",
        ),
        (("--against", "zz"), "no calibration whose id begins with 'zz'"),
        (("--calibration", ""), "the book has more than one"),
    ],
)
def test_a_calibration_that_is_not_there_is_one_line(
    bench: Bench, more: tuple[str, ...], words: str
) -> None:
    bench.capsys.readouterr()
    assert bench.call("set", "check", "a", "--at", "38.5mm", *more) == 2
    said = bench.capsys.readouterr().err
    assert len(said.splitlines()) == 1
    assert re.search(words, said)


def test_a_set_without_raw_strokes_has_no_other_calibration(bench: Bench) -> None:
    assert bench.call("set", "new", "k", "--role", "inner", "--labels", "k-01") == 0
    assert bench.call("note", "--set", "k", "k-01 30mm 20kg", "k-01 20mm 40kg") == 0
    bench.capsys.readouterr()
    assert bench.call("set", "check", "k", "--at", "30mm", "--calibration", "newest") == 2
    assert "has no raw strokes" in bench.capsys.readouterr().err


def test_the_kept_datum_reads_the_middle_the_same_and_scales_about_it() -> None:
    """By hand: pinned at the middle of the own range, the new factor of 202/200 acts from there."""
    load = load_part([LoadPoint(m, 24_500.0 * m) for m in (0, 10, 20)], "m").fit
    own = travel_part([GaugePoint(h, 14_000 - 200 * h) for h in (0, 30, 60)], "g").fit
    new = travel_part([GaugePoint(h, 900 - 202 * h) for h in (0, 30, 60)], "g").fit
    captured = Calibration(load, own, None, 0.0)
    read = Calibration(load, new, None, 0.0).for_counts_of(captured, same_start=False)
    samples = np.zeros(3, dtype=RAW_DTYPE)
    samples["travel_counts"] = [14_000, 8_000, 2_000]
    heights = apply(read, RawBlock(samples)).samples["height_mm"]
    np.testing.assert_allclose(heights, [30 - 6000 / 202, 30, 30 + 6000 / 202], atol=1e-6)
