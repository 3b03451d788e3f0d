"""What is typed into the grid and what becomes of it, without a screen: cells, questions, words."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import msgspec

from coilbench.analysis.inputs.batch import Batch
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.slip_text import (
    choices_of,
    doubts_text,
    height_or_depth,
    question_text,
    reading_text,
)
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.courses import SAME_MM
from coilbench.capture.book.keyed_readings import KeyedRow, refuse_height
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading, parse_shown, part_remark
from coilbench.capture.units import parse_length_mm

Cell = tuple[str, float]  # a spring's label and a height in mm
MOST_TOLD = 2  # readings of a cell: more would push the grid off a small screen
LEGEND = "> next   . missing   ! odd   x2 read twice   u on the way up"


class Question(msgspec.Struct):
    """Something that must be answered before anything else is typed."""

    words: str
    answers: dict[str, str]  # a key, and what it does
    act: Callable[[str], None]
    unheard: bool = False  # whether another key was pressed

    @property
    def keys(self) -> str:
        """Say which keys answer; louder where another was pressed."""
        told = "   ".join(f"{key}: {what}" for key, what in self.answers.items())
        return f"First answer with {' or '.join(self.answers)}.   {told}" if self.unheard else told


class CellView(msgspec.Struct, frozen=True):
    """How a cell looks: `mark` is > for next, ! for odd, or a blank."""

    text: str
    mark: str = " "
    missing: bool = False


class GridState(msgspec.Struct, dict=True):
    """A set being keyed in, or one after the other those that a plan names.

    Attributes:
        batch: the plan's next presses; None where there is no plan.
        typed: what is in the cell and not yet stored.
        said: what happened last.
    """

    desk: Desk
    units: Units
    batch: Batch | None = None
    typed: str = ""
    said: str = ""
    question: Question | None = None
    asking_height: bool = False
    _odd: dict[str, bool] = msgspec.field(default_factory=dict)
    _done: list[Desk] = msgspec.field(default_factory=list)  # of each thing that can be undone

    def __post_init__(self) -> None:
        # the heights asked for: the cursor walks these
        self._asked_mm = [] if self.batch is not None else list(self.desk.asked_mm)
        self._say_plan(first=True)

    @property
    def labels(self) -> Sequence[str]:
        """The rows."""
        return self.desk.record.labels

    @property
    def heights_mm(self) -> list[float]:
        """The columns."""
        return self.desk.heights_mm

    def ask_plan(self) -> None:
        """Light the presses that the plan names next."""
        if self.batch is not None:
            self.batch.ask()
            self._say_plan()

    def _say_plan(self, *, first: bool = False) -> None:
        if self.batch is None:
            return
        words = ""
        if self.batch.others:
            words = f"the plan names presses of {', '.join(self.batch.others)} too"
        elif not self.batch.wishes:
            words = "the plan has no more presses"
        if words:
            self.said = f"{self.said} {words}" if first and self.said else words

    @property
    def lit(self) -> tuple[Cell, ...]:
        """The plan's next presses of the set on the screen."""
        if self.batch is None:
            return ()
        wishes = self.batch.unread(self.desk.record.name)
        return tuple((one.label, one.height_mm) for one in wishes)

    @property
    def plan_words(self) -> str:
        """How much of the plan's presses is left; empty where there is no plan."""
        if self.batch is None:
            return ""
        if not self.batch.wishes:
            return "; no more by the plan: q"
        return f"; the plan's: {len(self.batch.unread())} to go"

    def follow(self) -> None:
        """Go to the set of the plan's next press, where all that it names of this one is read."""
        if self.batch is None or self.lit:
            return
        wish = self.batch.next()
        if wish is not None:
            self.to_set(wish.set_name)

    def to_set(self, name: str) -> None:
        """Show another set of the plan's."""
        if self.batch is None or name == self.desk.record.name:
            return
        self.desk = self.batch.desk_of(name)
        self.typed = ""
        how = self.batch.how.get(name, "")
        self._changed(f"{self.said} Now {name} ({self.desk.record.role}). {how}".strip())

    def turn_page(self) -> None:
        """Show the next set of those that the plan names."""
        names = [] if self.batch is None else self.batch.names
        self.said = ""
        here = self.desk.record.name
        others = [*names[names.index(here) + 1 :], *names] if here in names else names
        self.to_set(next((one for one in others if one != here), here))

    @property
    def plan_is_read(self) -> bool:
        """Whether all that the plan named is read, so that it is time to ask again."""
        return self.batch is not None and bool(self.batch.wishes) and self.batch.next() is None

    def next_open(self, after: Cell | None = None) -> Cell | None:
        """Return the cell to read next: of the plan, else the next one missing; None where none.

        None too where the plan names no more: what is missing then is not wanted.
        """
        if self.batch is not None and not (self.batch.wishes or self.batch.others):
            return None
        walked = self._asked_mm or self.heights_mm
        cells = [(label, mm) for label in self.labels for mm in walked]
        if after is not None and after not in cells:
            cells.append(after)  # goes on with the next spring
            cells.sort(key=lambda cell: (self.labels.index(cell[0]), -cell[1]))
        if after in cells:
            at = cells.index(after) + 1
            cells = cells[at:] + cells[:at]
        missing = (c for c in cells if c[1] in walked and not self.desk.cell(*c))
        return self.lit[0] if self.lit else next(missing, None)

    def view(self, cell: Cell) -> CellView:
        """Return how a cell looks that is not being typed."""
        rows, up = self.desk.cell(*cell), self.desk.cell(*cell, loading=False)
        if not rows and not up:
            lit = cell in self.lit
            return CellView("next" if lit else ".", ">" if lit else " ", missing=True)
        parts = []
        if rows:
            times = f" x{len(rows)}" if len(rows) > 1 else ""
            parts.append(f"{self._shown(rows)}{times}")
        if up:
            parts.append(f"u{self._shown(up)}")
        odd = any(self._is_odd(row) for row in (*rows, *up))
        mark = ">" if cell in self.lit else " "  # to be pressed once more
        return CellView(" ".join(parts), "!" if odd else mark)

    def _shown(self, rows: Sequence[KeyedRow]) -> str:
        return self.units.load_number(sum(row.reading.shown_load_n for row in rows) / len(rows))

    def _is_odd(self, row: KeyedRow) -> bool:
        if row.name not in self._odd:
            self._odd[row.name] = bool(self.desk.odd(row))
        return self._odd[row.name]

    def doubt(self, cell: Cell) -> str:
        """Say what is odd in what is being typed; empty where nothing is, or it is no number."""
        try:
            reading = self._reading(cell)
        except CoilbenchError:
            return ""
        weighed = self.desk.weigh(reading, without=self.desk.cell(*cell))
        return "" if weighed.sound else doubts_text(weighed, self.units)

    def told(self, cell: Cell) -> str:
        """Say what a cell holds: its last readings, their times, remarks; how many others."""
        rows = [*self.desk.cell(*cell), *self.desk.cell(*cell, loading=False)]
        told = [
            f"{row.name} {reading_text(row.reading, self.units)}, {row.keyed_utc[:16]}"
            for row in rows[-MOST_TOLD:]
        ]
        before = len(rows) - len(told)
        return "; ".join([*([f"{before} before"] if before else []), *told])

    def _reading(self, cell: Cell) -> KeyedReading:
        """Read what is typed.

        Raises:
            CoilbenchError: it is no load.
        """
        typed, remark = part_remark(self.typed)
        found = parse_shown(typed, self.units.load)
        if found is None:
            raise CoilbenchError(
                f"{typed.strip()!r} is not a load",
                hint="Type what the scale shows, like 22.4, 22.4 up, 22.4 # a remark",
            )
        load_n, loading = found
        label, height_mm = cell
        return KeyedReading(label, load_n, height_mm, None, loading, remark)

    def enter(self, cell: Cell) -> bool:
        """Take what is typed; returns whether it is done with, stored or nothing to store."""
        if self.question is not None:
            return False
        if self.asking_height:
            return self._add_height()
        if not self.typed.strip():
            self.typed = ""
            return True
        try:
            reading = self._reading(cell)
            there = self.desk.cell(*cell, loading=reading.loading)
            if there and cell not in self.lit:
                self._ask_again(reading, there)
            else:
                self._settle(reading, [])
        except CoilbenchError as error:
            self.say_error(error)
            return False
        return self.question is None and not self.typed

    def _ask_again(self, reading: KeyedReading, there: Sequence[KeyedRow]) -> None:
        def act(key: str) -> None:
            self._settle(reading, list(there) if key == "r" else [])

        held = ", ".join(self.units.load_text(row.reading.shown_load_n) for row in there)
        answers = {"r": f"replaces {held}", "a": "another press of it", "n": "not stored"}
        self.question = Question(f"{held} is read here already.", answers, act)

    def _settle(self, reading: KeyedReading, instead_of: list[KeyedRow]) -> None:
        weighed = self.desk.weigh(reading, without=instead_of)
        if weighed.sound:
            self._keep(reading, instead_of)
            return

        def act(key: str) -> None:
            if key == "y":
                self._keep(reading, instead_of)
            elif key == "m" and weighed.meant is not None:
                self._keep(weighed.meant, instead_of)
            elif key == "o" and weighed.may_be_wrong:
                desk = self.desk
                wrong = KeyedRow.named(desk.db, desk.record, weighed.may_be_wrong)
                self._settle(reading, [*instead_of, wrong])

        words = question_text(weighed, self.units)
        self.question = Question(words, choices_of(weighed, self.units), act)

    def _keep(self, reading: KeyedReading, instead_of: Sequence[KeyedRow]) -> None:
        self.desk.keep(reading, instead_of)
        self._done.append(self.desk)
        self.typed = ""
        self._changed(f"Stored {reading_text(reading, self.units)}.")

    def answer(self, key: str) -> bool:
        """Answer what is asked; returns whether that settled it with a reading stored."""
        question = self.question
        if question is None:
            return False
        if key not in question.answers:
            question.unheard = True
            return False
        self.question = None
        if key == "n":
            self.typed, self.said = "", "Not stored."
            return False
        try:
            question.act(key)
        except CoilbenchError as error:
            self.say_error(error)
        return self.question is None and not self.typed

    def begin_height(self) -> None:
        """Ask for another height."""
        self.asking_height, self.typed = True, ""

    def _add_height(self) -> bool:
        typed, self.typed, self.asking_height = self.typed.strip(), "", False
        if not typed:
            return True
        try:
            bare = re.fullmatch(r"[0-9.,]+", typed)
            height_mm = parse_length_mm(typed + (self.units.length if bare else ""))
            self._height_or_depth(height_mm)
        except CoilbenchError as error:
            self.say_error(error)
        return True

    def _height_or_depth(self, height_mm: float) -> None:
        """Add a height, or ask first where the number is as likely a depth."""
        of_depth_mm = self.desk.height_by_depth_mm(height_mm)
        if of_depth_mm is None:
            self._take_height(height_mm)
            return

        def act(key: str) -> None:
            self._take_height(height_mm if key == "h" else of_depth_mm)

        words, answers = height_or_depth([height_mm], [of_depth_mm], self.units)
        self.question = Question(words, answers | {"n": "neither"}, act)

    def _take_height(self, height_mm: float) -> None:
        for label in self.labels:
            refuse_height(self.desk.record, label, height_mm)
        heights = [*self.heights_mm, height_mm]
        self.desk.asked_mm = sorted(dict.fromkeys(heights), reverse=True)
        if self._asked_mm:
            self._asked_mm = sorted({*self._asked_mm, height_mm}, reverse=True)
        self.said = f"{self.units.length_text(height_mm)} added."

    def give_up(self) -> None:
        """Forget what is typed and asked."""
        self.typed, self.question, self.asking_height = "", None, False

    def undo(self) -> Cell | None:
        """Take back what was stored or removed last; returns its cell, None where nothing is."""
        if self._done:
            self.to_set(self._done.pop().record.name)
        of = self.desk.take_back()
        if of is None:
            self._changed("Nothing typed here is left to undo; earlier ones: move to it, Del.")
            return None
        self._changed(f"Taken back: {of[0]} at {self.units.length_text(of[1])}; type it again.")
        near = (mm for mm in self.heights_mm if abs(mm - of[1]) <= SAME_MM)
        return of[0], next(near, of[1])

    def remove(self, cell: Cell) -> None:
        """Stop counting the last reading of a cell."""
        rows = self.desk.cell(*cell) or self.desk.cell(*cell, loading=False)
        if not rows:
            self.said = "Nothing is read here."
            return
        self.desk.remove(rows[-1])
        self._done.append(self.desk)
        self._changed(f"{rows[-1].name} no longer counts; u puts it back.")

    def _changed(self, said: str) -> None:
        self._odd.clear()
        self.said = said

    def say_error(self, error: CoilbenchError) -> None:
        """Say what was refused."""
        error.in_units(self.units.quantity)
        self.said = str(error)

    def counted(self) -> tuple[int, int]:
        """How many cells are read, and how many there are."""
        cells = [(label, mm) for label in self.labels for mm in self.heights_mm]
        return sum(bool(self.desk.cell(*cell)) for cell in cells), len(cells)
