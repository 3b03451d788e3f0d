"""What `import` takes: sweeps and points, read with their units or refused in a sentence."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import LoadBlock, RawBlock, SampleFlag
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.points_file import PointsFile
from coilbench.capture.tables.sweep_files import SweepFile, read_sweep_file

DOWN_AND_UP = [0, 1, 5, 10, 15, 20, 20, 15, 10, 5, 1, 0]  # mm pressed


def csv(header: str, rows: Sequence[Sequence[object]]) -> bytes:
    return "\n".join([header, *(",".join(map(str, row)) for row in rows)]).encode()


def read_file(data: bytes) -> SweepFile | PointsFile:
    return read_sweep_file(read_table(data, "s.csv"))


def read(data: bytes) -> RawBlock | LoadBlock | PointsFile:
    """Read a file of points, or of one press."""
    found = read_file(data)
    if isinstance(found, PointsFile):
        return found
    (press,) = found.presses
    return press


def notes(data: bytes) -> dict[str, dict[str, object]]:
    found = read_file(data)
    assert isinstance(found, SweepFile)
    return {one.kind: dict(one.facts) for one in found.notes}


def refusal(data: bytes) -> str:
    with pytest.raises(CoilbenchError) as caught:
        read(data)
    assert caught.value.hint
    return str(caught.value)


def converted(
    header: str = "t_s,load_kg,height_mm",
    pressed_mm: Sequence[float] = DOWN_AND_UP,
    kg_per_mm: float = 1.5,
    free_mm: float = 50.0,
) -> bytes:
    return csv(header, [(i / 10, kg_per_mm * p, free_mm - p) for i, p in enumerate(pressed_mm)])


def raw(travel: Sequence[float] = DOWN_AND_UP, *, sign: int = 1, load: int = 1000) -> bytes:
    return csv(
        "t_s,load_counts,travel_counts",
        [(i / 10, load * p - 700, sign * 200 * p + 5) for i, p in enumerate(travel)],
    )


def test_converted_sweep() -> None:
    sweep = read(converted())
    assert isinstance(sweep, LoadBlock)
    assert sweep.samples["t_s"][0] == 0.0
    assert sweep.samples["t_s"][-1] == pytest.approx(1.1)
    # 30 kg at the bottom; kgf 9.80665 N exactly: 3rd CGPM, 1901.
    assert sweep.samples["load_n"].max() == pytest.approx(30 * 9.80665, rel=1e-12)
    assert sweep.samples["height_mm"].tolist() == [50 - p for p in DOWN_AND_UP]


@pytest.mark.parametrize(
    ("header", "peak_n", "lowest_mm"),
    [  # lbf 4.4482216152605 N and inch 25.4 mm exactly: international agreement, 1959
        ("t_s,load_n,height_mm", 30.0, 30.0),
        ("t_s,load_lbf,height_in", 30 * 4.4482216152605, 30 * 25.4),
        ("T_S, Load_N ,HEIGHT_MM", 30.0, 30.0),
    ],
)
def test_units_in_the_columns_names(header: str, peak_n: float, lowest_mm: float) -> None:
    sweep = read(converted(header))
    assert isinstance(sweep, LoadBlock)
    assert sweep.samples["load_n"].max() == pytest.approx(peak_n, rel=1e-12)
    assert sweep.samples["height_mm"].min() == pytest.approx(lowest_mm, rel=1e-12)


@pytest.mark.parametrize("sign", [1, -1])
def test_raw_sweep_whichever_way_the_scale_counts(sign: int) -> None:
    sweep = read(raw(sign=sign))
    assert isinstance(sweep, RawBlock)
    assert sweep.samples["seq"].tolist() == list(range(12))
    assert sweep.samples["t_us"].tolist() == [100_000 * i for i in range(12)]
    assert sweep.samples["load_counts"].tolist() == [1000 * p - 700 for p in DOWN_AND_UP]
    assert sweep.samples["travel_counts"].tolist() == [sign * 200 * p + 5 for p in DOWN_AND_UP]
    assert not sweep.samples["flags"].any()


def test_raw_sweep_at_the_converters_end_is_flagged() -> None:
    # HX711 datasheet: readings saturate at 7FFFFF hex.
    rows = [(i, min(500_000 * p, 8388607), 200 * p) for i, p in enumerate(DOWN_AND_UP)]
    sweep = read(csv("t_s,load_counts,travel_counts", rows))
    assert isinstance(sweep, RawBlock)
    flags = sweep.samples["flags"]
    assert np.flatnonzero(flags == SampleFlag.LOAD_SATURATED).tolist() == [5, 6]
    assert np.count_nonzero(flags) == 2


def test_a_rogue_reading_does_not_hide_the_press() -> None:
    # HX711 users meet readings of 2^n - 1 after an interrupted read-out.
    rows = [(i, 1000 * p, 200 * p) for i, p in enumerate([*DOWN_AND_UP, *[0] * 20])]
    rows[1] = (1, 2**22 - 1, 200)
    assert isinstance(read(csv("t_s,load_counts,travel_counts", rows)), RawBlock)


@pytest.mark.parametrize(
    ("pressed", "said"),
    [
        ([0, 5, 10, 5, 0], r"\b5 samples"),
        ([5] * 12, "the travel never changes"),
    ],
)
def test_no_press_down_and_up_is_refused(pressed: list[float], said: str) -> None:
    for data in (converted(pressed_mm=pressed), raw(pressed), raw(pressed, sign=-1)):
        message = refusal(data)
        assert message.startswith("s.csv: ")
        assert re.search(said, message)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_stroke_that_ends_when_the_load_is_gone_is_whole(sign: int) -> None:
    """As a capture cuts it: the quill is still far from its stop, but the spring is let go."""
    travel = [*range(25), *range(24, 11, -1)]
    rows = [(i, sign * 1000 * max(p - 12, 0), 200 * p) for i, p in enumerate(travel)]
    assert isinstance(read(csv("t_s,load_counts,travel_counts", rows)), RawBlock)
    half_way = csv("t_s,load_counts,travel_counts", rows[:-5])  # still under two fifths of its load
    cut = read(half_way)
    assert isinstance(cut, RawBlock)
    assert cut.samples["travel_counts"].tolist() == [200 * p for p in range(25)]
    assert "way_down_only" in notes(half_way)
    assert "way_down_only" not in notes(csv("t_s,load_counts,travel_counts", rows))


@pytest.mark.parametrize("presses", [1, 2, 3])
def test_presses_of_one_file_are_parted_where_the_quill_was_up(presses: int) -> None:
    data = raw(DOWN_AND_UP * presses)
    found = read_file(data)
    assert isinstance(found, SweepFile)
    assert len(found.presses) == presses
    for block in found.presses:
        travel = block.samples["travel_counts"]
        assert (travel.min(), travel.max()) == (5, 200 * 20 + 5)
        assert block.samples["t_us"][0] == 0
    assert notes(data) == ({} if presses == 1 else {"presses_parted": {"presses": presses}})


def test_the_last_of_some_presses_may_have_the_way_down_alone() -> None:
    data = converted(pressed_mm=[*DOWN_AND_UP, *DOWN_AND_UP[:7], *[20] * 4])
    found = read_file(data)
    assert isinstance(found, SweepFile)
    assert [block.samples["height_mm"].min() for block in found.presses] == [30.0, 30.0]
    assert notes(data) == {"presses_parted": {"presses": 2}, "way_down_only": {"presses": 1}}


@pytest.mark.parametrize("presses", [1, 2, 3])
@pytest.mark.parametrize(
    ("between", "down_only"), [([], True), ([10, 8], True), ([10, 9, 8], False)]
)
def test_presses_of_which_each_has_the_way_down_alone_are_all_read_so(
    presses: int, between: list[int], down_only: bool
) -> None:
    """Ten samples of the way down lie between the levels of up and down, and so few of the up."""
    down = [0, 1, 2, 3, 4, 5, 6, 6.5, *range(7, 15), 16, 18, 20]
    data = converted(pressed_mm=[*([*down, *between] * presses), 0])
    found = read_file(data)
    assert isinstance(found, SweepFile)
    assert len(found.presses) == presses
    for block in found.presses:
        heights = block.samples["height_mm"]
        assert (heights[0], heights.min()) == (50.0, 30.0)
        assert bool(heights[-1] == heights.min()) is down_only
    assert ("way_down_only" in notes(data)) is down_only


def test_a_part_that_is_no_press_refuses_the_file() -> None:
    assert re.search("down.*missing", refusal(converted(pressed_mm=[20, 20, 15, 0, *DOWN_AND_UP])))


def test_remarks_are_passed_over_with_a_word() -> None:
    rows = [(i / 10, 1.5 * p, 50 - p, "cold") for i, p in enumerate(DOWN_AND_UP)]
    told = notes(csv("t_s,load_kg,height_mm,Remarks", rows))
    assert told == {"column_passed_over": {"column": "remarks"}}


def test_only_the_way_up_is_refused() -> None:
    assert re.search("down.*missing", refusal(converted(pressed_mm=list(range(12, 0, -1)))))


@pytest.mark.parametrize("hesitant", [[0, 4, 4, 3, 9, 8, 14, 20, 18, 20, 12, 13, 6, 0]])
def test_an_unsteady_hand_is_one_press(hesitant: list[float]) -> None:
    assert isinstance(read(converted(pressed_mm=hesitant)), LoadBlock)


def test_load_that_is_not_the_springs() -> None:
    assert "the load never changes" in refusal(raw(load=0))
    assert "falls as the height gets smaller" in refusal(converted(kg_per_mm=-1.5, free_mm=50))
    idle = csv("t_s,load_kg,height_mm", [(i, i % 2, 50 - p) for i, p in enumerate(DOWN_AND_UP)])
    assert "does not follow the travel" in refusal(idle)


def test_depth_in_the_height_column_is_refused() -> None:
    rows = [(i, 1.5 * p, p + 1) for i, p in enumerate(DOWN_AND_UP)]
    message = refusal(csv("t_s,load_kg,height_mm", rows))
    assert re.search("down.*missing", message)


@pytest.mark.parametrize(("bad", "line"), [(0.2, 5), (0.1, 5), (-1.0, 5)])
def test_times_that_do_not_rise(bad: float, line: int) -> None:
    rows = [[i / 10, 1.5 * p, 50 - p] for i, p in enumerate(DOWN_AND_UP)]
    rows[3][0] = bad
    message = refusal(csv("t_s,load_kg,height_mm", rows))
    assert message.startswith(f"s.csv, line {line}: t_s {bad:g} does not come after 0.2")


@pytest.mark.parametrize(
    ("cell", "column", "said"),
    [
        ("0", 2, "the height must be more than 0"),
        ("38500", 2, "the height is beyond any bench"),
        ("9e9", 1, "the load is beyond any bench"),
        ("nan", 1, "column 'load_kg': 'nan' is not a finite number"),
        ("", 0, "column 't_s' is empty"),
    ],
)
def test_one_bad_cell_is_named_with_its_line(cell: str, column: int, said: str) -> None:
    rows: list[list[object]] = [[i / 10, 1.5 * p, 50 - p] for i, p in enumerate(DOWN_AND_UP)]
    rows[6][column] = cell
    assert refusal(csv("t_s,load_kg,height_mm", rows)).startswith(f"s.csv, line 8: {said}")


def test_counts_are_whole_and_fit() -> None:
    assert re.search(r"\b2\b.*numbers", refusal(raw([0.001, *DOWN_AND_UP[1:]])))
    assert "32 bits" in refusal(raw(load=10**9))


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("time,load_kg,height_mm", "are not those of a sweep or of points"),
        ("t_s,load_counts,height_mm", "the column 'travel_counts' is missing"),
        ("t_s,load_kg,depth_mm", "the column 'height_mm' is missing"),
        ("t_s,load,height_mm", "the column 'load_kg' is missing"),
        (
            "t_s,load_kg,load_n,height_mm",
            "'load_kg' and 'load_n' are the same quantity in two",
        ),
        ("t_s,load_kg,height_mm,noise", "unknown column 'noise'"),
        ("t_s,load_kg,height_mm,a,b", "unknown columns 'a', 'b'"),
        ("label,t_s,load_kg,height_mm", "unknown column 't_s'"),
    ],
)
def test_columns_refused_by_name(header: str, said: str) -> None:
    message = refusal(csv(header, [[1] * (header.count(",") + 1)]))
    assert message.startswith("s.csv, line 1: ")
    assert said in message
    assert "t_s,load_" in message or "label,height_mm" in message or "in two units" in message


@settings(max_examples=100)
@given(
    header=st.sampled_from(
        ["t_s,load_kg,height_mm", "t_s,load_counts,travel_counts", "label,height_mm,load_kg"]
    ),
    rows=st.lists(
        st.tuples(
            *[st.sampled_from(["0", "1", "2", "-3", "4.5", "1e300", "8388607", "x", ""])] * 3
        ),
        max_size=14,
    ),
)
def test_anything_is_read_or_refused(header: str, rows: list[tuple[str, str, str]]) -> None:
    try:
        result, said = read(csv(header, rows)), "s.csv"
    except CoilbenchError as refused:
        result, said = None, str(refused)
    assert said.startswith("s.csv")
    assert result is None or isinstance(result, RawBlock | LoadBlock | PointsFile)
