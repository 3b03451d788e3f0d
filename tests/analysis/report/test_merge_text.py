"""What a merge brought and changed, in words and units."""

from __future__ import annotations

from pathlib import Path

from coilbench.analysis.report.merge_text import note_text
from coilbench.analysis.report.units import SI
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.sets import find_set
from support.book_changes import copied, makes, nominal, write


def test_a_nominal_that_another_bench_tells_changes_and_takes_away_is_said_with_both(
    tmp_path: Path,
) -> None:
    base = write(tmp_path / "base.db", makes("larch"))
    other = copied(base, "other.db", nominal(240.0))
    texts = []
    stricter = SetNominal((), 6.0, 0.03)
    for change in (
        lambda db: None,
        lambda db: find_set(db, "larch").keep_nominal(db, stricter),
        lambda db: find_set(db, "larch").keep_nominal(db, None),
    ):
        write(other, change)
        texts += [note_text(note, SI) for note in merge_books(base, [other]).notes]
        assert not merge_books(base, [other]).notes
    assert texts == [
        "larch: the nominal was changed at another bench: now 240.0 N at 38.50 mm, no tolerance; "
        "before none",
        "larch: the nominal was changed at another bench: now 6.000 N/mm, tolerance 3%; before "
        "240.0 N at 38.50 mm, no tolerance",
        "larch: the nominal was changed at another bench: now none; before 6.000 N/mm, "
        "tolerance 3%",
    ]
