"""What comes last, and by which number a thing is named: the same at every bench."""

from __future__ import annotations

from pathlib import Path

from coilbench.capture.book.by_hand import edit_set, keep_of_springs
from coilbench.capture.book.calibrations import current_calibration, mass_checks, parts, store_part
from coilbench.capture.book.entries import KEYED, Entry
from coilbench.capture.book.keyed_readings import KeyedRow, remove_readings, store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set, set_names
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.book.told import Told
from coilbench.capture.calibration.fit import load_part
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.calibration.known_points import LoadPoint
from coilbench.capture.tables.keyed import KeyedReading
from coilbench.capture.tables.spring_lines import SpringEntry
from support.shop_books import make_empty, make_set

HEIGHTS_MM = (35.0, 31.0, 29.0, 33.0, 27.0, 25.0)


def key_in(path: Path, label: str, *heights_mm: float) -> None:
    with open_book(path) as db:
        readings = [KeyedReading(label, 9000.0 / mm, height_mm=mm) for mm in heights_mm]
        store_readings(db, find_set(db, "larch"), readings, KeyedSetup())


def heights(path: Path, label: str) -> dict[str, float]:
    with open_book(path) as db:
        own = KeyedRow.of_set(db, find_set(db, "larch"))[label]
        return {one.name: one.reading.height_mm for one in own}


def test_a_fresh_bench_has_the_calibration_in_force_that_was_made_last(
    tmp_path, larch, share
) -> None:
    with open_book(larch) as db:
        for number in range(1, 8):  # by chance of the ids the last one would seldom be the last
            points = [LoadPoint(kg, 100 + (2000 + number) * kg) for kg in (0, 10, 20, 40)]
            store_part(db, load_part(points, f"weighed {number}"))
    share(larch)
    fresh = make_empty(tmp_path / "fresh.db")
    share(fresh)
    with open_book(fresh) as db, open_book(larch) as own:
        assert current_calibration(db).load.origin == "weighed 7"
        assert current_calibration(db) == current_calibration(own)
        assert [one.part_id for one in parts(db, "load")] == [
            one.part_id for one in parts(own, "load")
        ]
        assert mass_checks(db) == mass_checks(own)


def test_a_reading_has_one_number_at_every_bench(tmp_path, larch, share) -> None:
    key_in(larch, "larch-01", *HEIGHTS_MM)
    share(larch)
    benches = [make_empty(tmp_path / f"{number}.db") for number in range(3)]
    for path in benches:
        share(path)
        assert heights(path, "larch-01") == heights(larch, "larch-01")
    assert list(heights(larch, "larch-01").values()) == list(HEIGHTS_MM)  # as they were typed
    name = next(iter(heights(larch, "larch-01")))
    for path in (larch, benches[0]):  # both take out the same one
        with open_book(path) as db:
            remove_readings(db, [KeyedRow.named(db, find_set(db, "larch"), name)])
    for path in (larch, benches[0], larch, benches[1]):
        share(path)
    for path in (larch, *benches[:2]):
        with open_book(path) as db:
            own = KeyedRow.of_set(db, find_set(db, "larch"))["larch-01"]
        assert [one.reading.height_mm for one in own if not one.counts] == [HEIGHTS_MM[0]]


def test_strokes_and_sets_come_in_one_order_at_every_bench(tmp_path, larch, share) -> None:
    make_set(larch, "rowan", (1.0, 1.1))
    share(larch)
    fresh = make_empty(tmp_path / "fresh.db")
    share(fresh)
    with open_book(fresh) as db, open_book(larch) as own:
        assert set_names(db) == set_names(own) == ["larch", "rowan"]
        for name in set_names(own):
            assert StrokeRow.of_set(db, find_set(db, name)) == StrokeRow.of_set(
                own, find_set(own, name)
            )


def test_undo_takes_this_benchs_own_last_run_though_anothers_is_later(ann, bob, share) -> None:
    key_in(bob, "larch-02", 35.0)
    key_in(ann, "larch-01", 35.0)
    share(ann)
    share(bob)
    with open_book(bob) as db:
        assert Entry.newest_first(db, KEYED)[0].labels == ("larch-02",)


def test_a_name_goes_on_to_mean_the_set_of_this_bench(tmp_path, ann, share) -> None:
    bob = tmp_path / "bob.db"
    make_set(bob, "larch", (1.0, 1.1))  # later, of the same name
    with open_book(bob) as db:
        own = find_set(db, "larch").set_id
    (note,) = [str(one) for one in share(bob).pulled.notes if "larch" in str(one)]
    share(ann)
    with open_book(bob) as db, open_book(ann) as other:
        theirs = find_set(other, "larch").set_id
        assert find_set(db, "larch").set_id == own
        assert f"is called larch~{theirs[:4]} here" in note
        for book in (db, other):
            assert find_set(book, f"larch~{theirs[:4]}").set_id == theirs
            assert find_set(book, f"larch~{own[:4]}").set_id == own
    assert share(bob).pulled.notes == []


def test_what_two_benches_said_at_once_is_named_with_whose_it_was(ann, bob, share) -> None:
    for path, mm, colour, ruling in ((ann, 53.1, "red", "leave"), (bob, 53.2, "blue", "use")):
        with open_book(path) as db:
            record = find_set(db, "larch")
            edit_set(db, record, {"free_length_mm": mm})
            keep_of_springs(db, record, [SpringEntry("larch-02", "mark", words=colour)])
            StrokeRow.keep_rulings(db, record, [("larch-01", 2, ruling)])
            if path == bob:  # only one of the two: no dispute
                StrokeRow.keep_rulings(db, record, [("larch-02", 1, "leave")])
    share(ann)
    notes = share(bob).pulled.notes
    assert len(notes) == 3
    (stroke,) = [note for note in notes if isinstance(note, str)]
    assert "larch: the stroke larch-01:2 " in stroke
    assert "'use' in this book and 'leave' in another" in stroke
    twice = [
        Told(of, what, values, at_once=True, set_id=record.set_id)
        for of, what, values in (
            ("larch", "free_length_mm", (53.2, 53.1)),
            ("larch, larch-02", "mark", ("blue", "red")),
        )
    ]
    assert [note for note in notes if isinstance(note, Told)] == twice
    told = share(ann).pulled.notes
    assert [note for note in told if isinstance(note, Told)] == twice  # at both, whoever's holds
    (ruled,) = [str(note) for note in told if "larch-02:1" in str(note)]
    assert "ruled on in another book: leave" in ruled
    assert share(bob).pulled.notes == []
