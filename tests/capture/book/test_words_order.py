"""Which of several words about a stroke holds, held to the order that SQL gives (SQLite's)."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from hypothesis import example, given
from hypothesis import strategies as st

from coilbench.capture.book.merge_rows import RULES

RULE = RULES["sweeps"]
TEXT = st.one_of(
    st.none(), st.text(st.sampled_from(' !"#aZ~\\\n\u00e9\uffff\U0001f600'), max_size=3)
)
WORDS = st.fixed_dictionaries(
    {
        "edits": st.integers(0, 2),
        "counted": st.integers(0, 1),
        "status": st.sampled_from(["complete", "aborted", "gapped"]),
        "note": TEXT,
        "ruling": st.sampled_from([None, "use", "leave"]),
    }
)
SAID = {"edits": 1, "counted": 1, "status": "complete", "ruling": None}


@given(st.lists(WORDS, min_size=1, max_size=5))
@example([{**SAID, "note": "a"}, {**SAID, "note": "a b"}])  # a space sorts below a closing quote
@example([{**SAID, "note": None}, {**SAID, "note": "a"}])
@example([{**SAID, "note": "\uffff"}, {**SAID, "note": "\U0001f600"}])
def test_what_holds_is_the_first_by_the_order_of_the_stores_views(
    words: list[dict[str, object]],
) -> None:
    columns = ", ".join(RULE.mutable)
    order = RULE.order_sql().replace('COLLATE "C"', "COLLATE BINARY")  # UTF-8, byte by byte
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute(f"CREATE TABLE words ({columns})")
        marks = ", ".join(f":{one}" for one in RULE.mutable)
        db.executemany(f"INSERT INTO words VALUES ({marks})", words)
        first = db.execute(f"SELECT {columns} FROM words ORDER BY {order} LIMIT 1").fetchone()
    stands = RULE.winner(*words)
    assert tuple(stands[one] for one in RULE.mutable) == first
