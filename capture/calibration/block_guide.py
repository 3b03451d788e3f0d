"""The guide for the press flex: load and travel while a solid block is pressed and let go. Pure."""

from __future__ import annotations

from coilbench.capture.blocks import UNUSABLE, Finding, RawBlock
from coilbench.capture.calibration.guide import NOTHING_TO_UNDO
from coilbench.capture.calibration.known_points import MOST_GIVE_MM_PER_N, FlexPoint
from coilbench.capture.calibration.overload import too_much
from coilbench.capture.calibration.polynomial import PolynomialFit, value

# The quill lies flat by then, and over so much a give shows. Ours, no source.
GIVE_FROM_N, GIVE_OVER_N = 20.0, 30.0
BLOCK_END_SHARE = 0.05  # of the largest load: below it the block is let go. Ours, no source


class BlockGuide:
    """Reads load and travel while a solid block is pressed and let go.

    Args:
        load_fit: the load calibration, to know when the press is over.
        least_n: the load the press must reach.
        mm_per_count: of the travel, to tell a spring from a block; None where it is not known.
        cell_n, press_n: what they may bear; None where it is not told. A press past either is not
            taken but asked about: a cell that was bent by it is good for nothing.
    """

    def __init__(
        self,
        load_fit: PolynomialFit,
        least_n: float,
        *,
        mm_per_count: float | None = None,
        cell_n: float | None = None,
        press_n: float | None = None,
    ) -> None:
        self.points: list[FlexPoint] = []
        self._load_fit = load_fit
        self._least_n = least_n
        self._largest_n = 0.0
        self._newest_n: float | None = None
        self._done = False
        self._mm_per_count = 0.0 if mm_per_count is None else abs(mm_per_count)
        self._from: tuple[float, int] | None = None  # load and counts where the give begins
        self._is_spring = False
        self._rated = (cell_n, press_n)
        self._in_question = False

    @property
    def done(self) -> bool:
        """Whether a press is read."""
        return self._done

    @property
    def taken(self) -> int:
        """How many presses are read."""
        return int(self._done)

    @property
    def task(self) -> Finding:
        """What to do now."""
        if self._done:
            return Finding("press_read")
        return Finding.of("press_block", least_n=self._least_n)

    @property
    def state(self) -> Finding:
        """What the rig sees just now."""
        return Finding.of("load_seen", load_n=self._newest_n, largest_n=self._largest_n)

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""
        said: list[Finding] = []
        samples = block.samples[(block.samples["flags"] & UNUSABLE) == 0]
        loads_n = value(self._load_fit, samples["load_counts"])
        for sample, load_n in zip(samples, loads_n.tolist(), strict=True):
            self._newest_n = load_n
            if self._done:
                continue  # another press, before this one is stored or undone
            if load_n > BLOCK_END_SHARE * self._least_n:
                if self._in_question:
                    self._begin_again()
                if self._gives_way(load_n, int(sample["travel_counts"])):
                    said.append(Finding.of("spring_no_block", load_n=load_n))
                counts = int(sample["load_counts"]), int(sample["travel_counts"])
                self.points.append(FlexPoint(*counts))
                self._largest_n = max(self._largest_n, load_n)
            elif self.points and not self._in_question:
                said += self._let_go()
        return said

    def _gives_way(self, load_n: float, travel_counts: int) -> bool:
        """Tell, once in a press, whether what is pressed gives way as no block in a press does."""
        if self._is_spring or load_n < GIVE_FROM_N:
            return False
        if self._from is None:
            self._from = load_n, travel_counts
        from_n, from_counts = self._from
        moved_mm = abs(travel_counts - from_counts) * self._mm_per_count
        most_mm = MOST_GIVE_MM_PER_N * max(GIVE_OVER_N, load_n - from_n)
        self._is_spring = load_n - from_n >= GIVE_OVER_N and moved_mm > most_mm
        return self._is_spring

    def _let_go(self) -> list[Finding]:
        largest_n = self._largest_n
        if self._is_spring:  # said already
            self._begin_again()
            return [self.task]
        if largest_n >= self._least_n:
            over = too_much(*self._rated, largest_n, largest_n)
            if over is not None and over.kind == "overload":
                self._in_question = True
                return [Finding("pressed_over", over.facts), self.task]
            return self._accept()
        pressed = largest_n > 2.0 * BLOCK_END_SHARE * self._least_n
        self._begin_again()
        return [Finding.of("pressed_too_little", largest_n=largest_n)] if pressed else []

    def _accept(self) -> list[Finding]:
        self._done, self._in_question = True, False
        largest_n = self._largest_n
        return [Finding.of("block_read", samples=len(self.points), largest_n=largest_n)]

    def undo(self) -> Finding:
        """Discard the press."""
        was, self._done = self._done, False
        self._begin_again()
        return Finding("press_undone") if was else NOTHING_TO_UNDO

    def take(self) -> list[Finding]:
        """Take a press past a rating all the same."""
        return self._accept() if self._in_question else [Finding("nothing_to_take")]

    def _begin_again(self) -> None:
        self.points, self._largest_n, self._in_question = [], 0.0, False
        self._from, self._is_spring = None, False
