"""What goes wrong at a press is shown at once, named, and no stroke counts that should not.

The cases, and what is wrong in each from when on by the rig's own clock, are wrong_presses.py's.
"""

import pytest

from wrong_presses import CASES, SHOWN_S, run

CALM = [case for case in CASES if case.name.startswith("nothing is wrong")]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_it_is_shown_named_and_not_counted(case, tmp_path):
    seen, came = run(case, tmp_path)
    assert came.after_s is not None, seen.events
    assert came.after_s <= SHOWN_S
    assert case.kind in ("", *came.kinds)
    assert not came.kinds.intersection(case.never)
    assert came.counted == case.counts
    assert came.stale == 0


@pytest.mark.parametrize("case", CALM, ids=lambda case: case.name)
def test_good_presses_raise_no_alarm_and_no_question(case, tmp_path):
    seen, came = run(case, tmp_path)
    assert came.kinds == {"connected", "rig", "stroke_kept", "set_done"}
    assert not any(look.alarm or look.question or look.load_unknown for _, look in seen.looks[5:])
