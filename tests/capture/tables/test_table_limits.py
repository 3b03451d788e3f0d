"""The limits by which a file's rows are taken for a press, each at its value. Ours, no source."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.points_file import read_points_file
from coilbench.capture.tables.sweep_files import load_fault, press_fault


def press(*levels: float) -> np.ndarray:
    """Travel in hundredths of the way down, each read three times."""
    return np.repeat(np.array(levels), 3)


WHOLE = press(0, 50, 100, 50, 0)


@pytest.mark.parametrize(("samples", "fault"), [(10, False), (9, True)])
def test_ten_samples_are_the_fewest_of_a_sweep(samples: int, fault: bool) -> None:
    travel = np.concatenate([np.linspace(0, 100, samples - 5), np.linspace(90, 0, 5)])
    assert (press_fault(travel, travel) is not None) == fault


@pytest.mark.parametrize(
    ("travel", "fault"),
    [
        (press(29, 100, 50, 0), False),
        (press(31, 100, 50, 0), True),  # does not begin with the quill up
        (press(0, 100, 31, 100, 0), False),
        (press(0, 100, 29, 100, 0), True),  # two presses
        (press(0, 69, 20, 100, 0), False),  # no press by itself
        (press(0, 71, 20, 100, 0), True),
    ],
)
def test_the_quill_is_up_below_three_tenths_and_down_above_seven(
    travel: np.ndarray, fault: bool
) -> None:
    assert (press_fault(travel, travel) is not None) == fault


@pytest.mark.parametrize(("left", "fault"), [(24.0, False), (26.0, True)])
def test_a_way_up_that_ends_early_is_whole_where_three_quarters_of_the_load_are_gone(
    left: float, fault: bool
) -> None:
    travel, load = press(0, 50, 100, 100, 80), press(0, 50, 100, 100, left)
    assert (press_fault(travel, load) is not None) == fault


@pytest.mark.parametrize(("pressed", "fault"), [(26.0, False), (24.0, True)])
def test_a_load_follows_the_travel_by_a_quarter_of_its_range(pressed: float, fault: bool) -> None:
    load = press(0, 100, pressed, 50, 0)  # 100 in the middle of the way down: no spring's
    assert (load_fault(WHOLE, load) is not None) == fault


def points(*rows: tuple[float, float]) -> bytes:
    return "\n".join(["label,height_mm,load_n", *(f"a,{mm},{n}" for mm, n in rows)]).encode()


@pytest.mark.parametrize(("load_n", "noted"), [(181.0, False), (179.0, True)])
def test_a_load_that_drops_by_a_tenth_of_the_largest_is_noted(load_n: float, noted: bool) -> None:
    rows = points((40, 100), (36, 200), (32, load_n), (30, 200))
    assert bool(read_points_file(read_table(rows, "p.csv"), None).drops) == noted


@pytest.mark.parametrize(
    ("height_mm", "load_n", "refused"),
    [(4999, 1, False), (5001, 1, True), (40, 4.99e6, False), (40, 5.01e6, True)],
)
def test_what_no_bench_gives_is_refused(height_mm: float, load_n: float, refused: bool) -> None:
    table = read_table(points((height_mm, load_n)), "p.csv")
    if refused:
        with pytest.raises(CoilbenchError, match="beyond any bench"):
            read_points_file(table, None)
    else:
        assert read_points_file(table, None).springs
