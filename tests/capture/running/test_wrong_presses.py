"""What goes wrong at a press is shown at once, named, and no stroke counts that should not.

The cases, and what is wrong in each from when on by the rig's own clock, are wrong_presses.py's.
"""

import pytest

from wrong_case import SHOWN_S, run
from wrong_presses import CASES


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_it_is_shown_named_and_not_counted(case, tmp_path):
    seen, came = run(case, tmp_path)
    assert came.after_s is not None, seen.events
    assert came.after_s <= SHOWN_S
    assert case.kind in ("", *came.kinds)
    assert not came.kinds.intersection(case.never)
    assert came.counted == case.counts
    assert came.stale == 0
    if case.large == "STOP":  # what was pressed is kept; without a load nothing was
        kept = [row for row in seen.rows if case.kind in (row["note"] or "")]
        assert bool(kept) == (case.kind not in ("load_dead", "load_reversed"))
        assert all(row["samples"] > 20 and row["status"] == "aborted" for row in kept)
    if case.name.startswith("nothing is wrong"):  # no alarm, no question
        closes = {"closing_wanted", "set_closed", "scale_unshown"}
        closing = closes if case.closes else set()
        assert came.kinds == {"connected", "rig", "stroke_kept", "set_done", *closing}
        looks = [look for _, look in seen.looks[5:]]
        assert not any(look.alarm or look.question or look.load_unknown for look in looks)
