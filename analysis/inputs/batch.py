"""What a plan names next, over several sets in its order, and the desks where that is typed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from coilbench.analysis.inputs.keying import Desk

if TYPE_CHECKING:
    from coilbench.analysis.engine.presses import Press


class Wish(NamedTuple):
    """A press that is asked for; the height is what the quill shall tell."""

    set_name: str
    label: str
    height_mm: float


class Batch:
    """The presses that a plan names, until all are read and it is asked again.

    Args:
        presses: what the plan names now.
        ask: returns what the plan names next, by what the book holds now.
        desk: where typing begins.
        open_desk: opens another set's, and says how its readings are taken; None where only this
            one's presses are asked for.
    """

    def __init__(
        self,
        presses: Sequence[Press],
        ask: Callable[[], Sequence[Press]],
        desk: Desk,
        open_desk: Callable[[str], tuple[Desk, str]] | None = None,
    ) -> None:
        self._ask, self._open_desk = ask, open_desk
        self._desks = {desk.record.name: desk}
        self.how: dict[str, str] = {}  # sentences, of the sets that were opened here
        self.wishes: tuple[Wish, ...] = ()
        self._more: dict[Wish, int] = {}  # how many readings its cell had when it was named
        self.others: tuple[str, ...] = ()  # sets with presses that can't be typed here
        self._take(presses)

    def ask(self) -> None:
        """Ask the plan again."""
        self._take(self._ask())

    def _take(self, presses: Sequence[Press]) -> None:
        names = dict.fromkeys(one.set_name for one in presses)
        mine = [name for name in names if self._open_desk is not None or name in self._desks]
        self.others = tuple(name for name in names if name not in mine)
        self.wishes = tuple(
            Wish(one.set_name, one.label, self.desk_of(one.set_name).stop_mm(one.height_mm))
            for one in presses
            if one.set_name in mine
        )
        self._more = {
            one: len(self.desk_of(one.set_name).cell(one.label, one.height_mm))
            for one in self.wishes
        }
        for name in mine:
            desk = self.desk_of(name)
            heights = [*desk.asked_mm, *(one.height_mm for one in self.unread(name))]
            desk.asked_mm = sorted(dict.fromkeys(heights), reverse=True)

    @property
    def desks(self) -> list[Desk]:
        """The desks that were opened."""
        return list(self._desks.values())

    @property
    def names(self) -> list[str]:
        """The sets to be pressed, in the plan's order."""
        return list(dict.fromkeys(one.set_name for one in self.wishes))

    def desk_of(self, name: str) -> Desk:
        """Return a set's desk; it is opened once."""
        if name not in self._desks and self._open_desk is not None:
            self._desks[name], self.how[name] = self._open_desk(name)
        return self._desks[name]

    def unread(self, name: str | None = None) -> list[Wish]:
        """Return the presses, of one set or all, that were not made since the plan was asked.

        A cell that was read before may be named again: the plan wants another press of it then.
        """
        left, found = dict(self._more), list[Wish]()
        for one in self.wishes:
            made = len(self.desk_of(one.set_name).cell(one.label, one.height_mm)) - left[one]
            if made <= 0 and name in (None, one.set_name):
                found.append(one)
            left[one] += 1  # of several presses of a cell
        return found

    def next(self) -> Wish | None:
        """Return the first press that is not made; None where all are."""
        return next(iter(self.unread()), None)
