"""What goes wrong at a guided calibration is said in time, and nothing is taken that should not be.

The cases are wrong_guides.py's.
"""

import pytest

from wrong_guides import GUIDE_CASES, run


@pytest.mark.parametrize("case", GUIDE_CASES, ids=lambda case: case.name)
def test_it_is_said_and_not_taken(case):
    came = run(case)
    assert came.after_s is not None
    assert came.after_s <= case.within_s
    assert came.taken == case.taken
