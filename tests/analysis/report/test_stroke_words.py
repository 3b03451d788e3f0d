"""What is said of a stroke that lies apart from the spring's others."""

import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import SI
from coilbench.capture.strokes.stroke_findings import StrokeFinding


@pytest.mark.parametrize(
    ("others", "says"), [(1, "press it once more"), (1, "the odd one"), (2, "the rig moved")]
)
def test_one_that_lies_apart_is_odd_only_among_several(others: int, says: str) -> None:
    found = StrokeFinding("apart", {"off_share": 0.05, "others": others})
    assert says in describe(found, SI)
    assert "5.0%" in describe(found, SI)
