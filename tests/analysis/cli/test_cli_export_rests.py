"""An exported curve has what rests on the spring, as every result has."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from coilbench.analysis.cli import run

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"


def rows(path: Path) -> list[dict[str, str]]:
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def test_it_is_in_the_curves_of_strokes_and_not_in_keyed_ones(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book, out = tmp_path / "bench.db", tmp_path / "out"
    shutil.copyfile(FIRST, book)
    curves, read_n = [], []
    for rests in ("0N", "1.4N"):
        for words in (
            ("rig", "ratings", "--rests", rests),
            ("export", "--out", str(out), "--force"),
        ):
            assert run(["--book", str(book), *words]) == 0
        capsys.readouterr()
        curves.append([float(row["load_n"]) for row in rows(out / "curves.csv")])
        run(["--book", str(book), "set", "check", "larch", "--at", "38.5mm", "--json"])
        springs = json.loads(capsys.readouterr().out)["springs"]
        read_n.append(springs[0]["readings"][0]["load_n"])
    strokes = {row["stroke_id"] for row in rows(out / "strokes.csv") if float(row["samples"] or 0)}
    pressed = [row["stroke_id"] in strokes for row in rows(out / "curves.csv")]
    assert 0 < sum(pressed) < len(pressed)
    more_n = np.where(pressed, 1.4, 0.0)
    # a cell is written to a twentieth of its uncertainty
    np.testing.assert_allclose(np.subtract(curves[1], curves[0]), more_n, atol=0.11)
    assert read_n[1] - read_n[0] == pytest.approx(1.4, abs=0.1)
