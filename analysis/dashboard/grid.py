"""The grid on the terminal: springs down, heights across, keys and mouse. Textual draws it."""

from __future__ import annotations

from collections.abc import Callable

from rich.text import Text
from textual import events
from textual.app import App, ComposeResult
from textual.coordinate import Coordinate
from textual.widgets import DataTable, Static

from coilbench.analysis.dashboard.grid_state import LEGEND, Cell, GridState
from coilbench.analysis.inputs.batch import Batch
from coilbench.analysis.inputs.keying import Desk
from coilbench.analysis.report.phrases import CAUTION
from coilbench.analysis.report.units import Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import plain, plain_line

KEYS = (
    "type a load, Enter stores it   arrows, mouse move   Esc forgets it   u undo   Del not to count"
    "   h a height   q leave"
)
PLAN_KEYS = "   p the plan again   s its next set"
_STEPS = {"up": (-1, 0), "down": (1, 0), "left": (0, -1), "right": (0, 1)}
_STYLES = {">": "bold reverse", "!": "bold red"}


class Sheet(DataTable[Text]):
    """The cells; what is typed goes to the one under the cursor."""

    def on_key(self, event: events.Key) -> None:
        """Hand every key to the grid: all on one way, so that none overtakes another."""
        app = self.app
        if isinstance(app, Grid) and app.take_key(event.key, event.character):
            event.stop()
            event.prevent_default()


class Grid(App[None]):
    """A set being keyed in."""

    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { layout: vertical; }
    #caution, #title, #said, #keys { height: auto; }
    #caution { text-style: bold; }
    #said { min-height: 3; }
    Sheet { height: 1fr; }
    """

    def __init__(self, state: GridState) -> None:
        super().__init__()
        self.state = state
        self._edited: Cell | None = None  # where `typed` belongs
        self._shown: str = ""  # the set on the screen

    def compose(self) -> ComposeResult:
        """Lay out caution, title, cells, what was said, and keys."""
        yield Static(CAUTION, id="caution", markup=False)
        yield Static(id="title", markup=False)
        sheet = Sheet(id="sheet", header_height=2, cursor_foreground_priority="renderable")
        sheet.show_row_labels = True
        yield sheet
        yield Static(id="said", markup=False)
        yield Static(
            KEYS + ("" if self.state.batch is None else PLAN_KEYS), id="keys", markup=False
        )

    def on_mount(self) -> None:
        """Fill the sheet from the book and go to the first open cell."""
        self._build()
        self._go(self.state.next_open())
        self.sheet.focus()

    @property
    def sheet(self) -> Sheet:
        """The cells."""
        return self.query_one(Sheet)

    @property
    def cell(self) -> Cell | None:
        """The cell under the cursor; None where there are no columns."""
        at, state = self.sheet.cursor_coordinate, self.state
        if not state.heights_mm:
            return None
        label = state.labels[min(at.row, len(state.labels) - 1)]
        return label, state.heights_mm[min(at.column, len(state.heights_mm) - 1)]

    def _build(self) -> None:
        sheet, state = self.sheet, self.state
        sheet.clear(columns=True)
        self._shown = state.desk.record.name
        free_mm = state.desk.record.free_length_mm
        for height_mm in state.heights_mm:
            down = (
                "" if free_mm is None else f"\n{state.units.length_number(free_mm - height_mm)} dn"
            )
            head = f"{state.units.length_number(height_mm)} {state.units.length}{down}"
            sheet.add_column(Text(head, justify="right"))
        for label in state.labels:
            sheet.add_row(*([Text()] * len(state.heights_mm)), label=Text(plain_line(label)))
        self._draw()

    def _draw(self) -> None:
        sheet, state, here = self.sheet, self.state, self.cell
        if self._shown != state.desk.record.name or len(sheet.columns) != len(state.heights_mm):
            self._build()
            self._go(here)
            return
        for row, label in enumerate(state.labels):
            for column, height_mm in enumerate(state.heights_mm):
                text = self._text((label, height_mm))
                at = Coordinate(row, column)
                if sheet.get_cell_at(at) != text:
                    sheet.update_cell_at(at, text, update_width=True)
        read, cells = state.counted()
        record, unit = state.desk.record, state.units.load
        title = f"{record.name} ({record.role}): {read} of {cells} read, in {unit}"
        title += state.plan_words
        self.query_one("#title", Static).update(Text(f"{plain_line(title)}\n{LEGEND}"))
        self.query_one("#said", Static).update(Text(plain(self._words())))

    def _text(self, cell: Cell) -> Text:
        if self.state.typed and cell == self._edited:
            mark = "!" if self.state.doubt(cell) else " "
            return Text(f"{mark}{self.state.typed}_", style=_STYLES.get(mark, ""), justify="right")
        view = self.state.view(cell)
        return Text(f"{view.mark}{view.text}", style=_STYLES.get(view.mark, ""), justify="right")

    def _words(self) -> str:
        state, cell = self.state, self.cell
        if state.question is not None:
            return f"{state.question.words}\n{state.question.keys}"
        if state.asking_height or cell is None:
            asked = "" if state.asking_height else "No heights yet: type h. "
            return f"{asked}{state.said}\nHeight to add, in {state.units.length}: {state.typed}_"
        at = f"{cell[0]} at {state.units.length_text(cell[1])}"
        now = state.doubt(cell) if state.typed else state.told(cell)
        return f"{state.said}\n{at}{f': {now}' if now else ''}"

    def take_key(self, key: str, character: str | None) -> bool:
        """Take a key; returns whether it was for the grid."""
        text = character if character and character.isprintable() else ""
        if key == "ctrl+c":
            self.exit()  # what is typed and not stored is forgotten
        elif self.state.question is not None:
            self._answer("n" if key == "escape" else text.lower())
        elif key in ("enter", "tab"):
            self._leave_cell(self._after_storing)
        elif key in _STEPS:
            self._step(*_STEPS[key])
        elif not self._corrects(key) and not self._types(text):
            return False
        self._draw()
        return True

    def _corrects(self, key: str) -> bool:
        state = self.state
        if key == "escape":
            state.give_up()
        elif key == "backspace":
            state.typed = state.typed[:-1]
        elif key == "delete" and not state.typed:
            if self.cell is not None:
                self._try(state.remove)
        else:
            return False
        return True

    def _types(self, text: str) -> bool:
        state, command = self.state, _COMMANDS.get(text.lower())
        if command is not None and not state.typed and not state.asking_height:
            command(self)
        elif text and (state.asking_height or self.cell is not None):
            state.typed += text
            self._edited = self.cell
        else:
            return False
        return True

    def _undo(self) -> None:
        self._edited = None
        self._try(lambda _cell: self._show(self.state.undo()))

    def _show(self, cell: Cell | None) -> None:
        self._draw()
        self._go(cell)

    def _try(self, act: Callable[[Cell], None]) -> None:
        try:
            act(self.cell or ("", 0.0))
        except CoilbenchError as error:
            self.state.say_error(error)

    def _answer(self, key: str) -> None:
        if self.state.answer(key):
            self._after_storing()

    def _step(self, rows: int, columns: int) -> None:
        """Store what is typed and go to a neighbour."""
        at = self.sheet.cursor_coordinate
        to = Coordinate(
            min(max(at.row + rows, 0), len(self.state.labels) - 1),
            min(max(at.column + columns, 0), max(len(self.state.heights_mm) - 1, 0)),
        )
        self._leave_cell(lambda: self.sheet.move_cursor(row=to.row, column=to.column))

    def _leave_cell(self, then: Callable[[], object]) -> None:
        state, cell = self.state, self._edited or self.cell
        adding = state.asking_height
        if cell is None and not adding:
            return
        if state.enter(cell or ("", 0.0)):
            self._edited = None
            if not adding:
                then()
        self._draw()

    def _after_storing(self) -> None:
        self._edited = None
        here, name = self.cell, self._shown
        if self.state.plan_is_read:
            self._ask_plan()
        self.state.follow()
        same = name == self.state.desk.record.name
        self._show(self.state.next_open(here if same else None))

    def _turn_page(self) -> None:
        self._edited = None
        self.state.turn_page()
        self._show(self.state.next_open())

    def _ask_plan(self) -> None:
        try:
            self.state.ask_plan()
        except CoilbenchError as error:
            self.state.say_error(error)

    def _go(self, cell: Cell | None) -> None:
        if cell is not None and cell in [(cell[0], mm) for mm in self.state.heights_mm]:
            row, column = self.state.labels.index(cell[0]), self.state.heights_mm.index(cell[1])
            self.sheet.move_cursor(row=row, column=column)

    def on_data_table_cell_highlighted(self) -> None:
        """Store what is typed in a cell that the mouse left; if that asks, go back to it."""
        state = self.state
        if state.typed and self._edited not in (None, self.cell) and not state.asking_height:
            left = self._edited
            if left is not None and not state.enter(left):
                self._go(left)
            else:
                self._edited = None
        self._draw()


_COMMANDS: dict[str, Callable[[Grid], object]] = {
    "u": Grid._undo,
    "h": lambda grid: grid.state.begin_height(),
    "p": Grid._ask_plan,
    "s": Grid._turn_page,
    "q": Grid.exit,
}


def run_grid(desk: Desk, units: Units, batch: Batch | None = None, said: str = "") -> None:
    """Open the grid on the terminal until the person leaves it; `said` stands there first."""
    Grid(GridState(desk, units, batch, said=said)).run()
