"""The guide for the press flex: load and travel while a solid block is pressed and let go. Pure."""

from __future__ import annotations

from coilbench.capture.blocks import Finding, RawBlock, usable_of
from coilbench.capture.calibration.guide import NOTHING_TO_UNDO
from coilbench.capture.calibration.known_points import (
    FEWEST_SAMPLES,
    LEAST_GIVE_MM_PER_N,
    MOST_GIVE_MM_PER_N,
    FlexPoint,
)
from coilbench.capture.calibration.overload import too_much
from coilbench.capture.calibration.polynomial import PolynomialFit, value

# The quill lies flat by then, and over so much a give shows. Ours, no source.
GIVE_FROM_N, GIVE_OVER_N = 20.0, 30.0
LIFTED_MM = 0.1  # higher than where it lay flat, it has left the block. Ours, no source
BLOCK_END_SHARE = 0.05  # of the largest load: below it the block is let go. Ours, no source


class BlockGuide:
    """Reads load and travel while a solid block is pressed and let go.

    Args:
        load_fit: the load calibration, to know when the press is over.
        least_n: the load the press must reach.
        mm_per_count: of the travel, negative where down is positive, to tell a spring from a block,
            and a block from a mass on the cell; None where it is not known.
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
        self._mm_per_count = mm_per_count
        self._free = False  # whether the cell was seen without a load
        self._usable = True
        self._from: tuple[float, int] | None = None  # load and counts where the give begins
        self._gave: tuple[float, float] | None = None  # at the largest load: N and mm since then
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
        """What the rig sees just now, and what it waits for."""
        if not self._usable:
            return Finding("unsure_press")
        if self._newest_n is None:
            return Finding("no_sample_yet")
        facts = {"load_n": self._newest_n, "largest_n": self._largest_n}
        limits = {"least_n": self._least_n, "end_n": self._end_n}
        if not self._free:
            return Finding("loaded_already", {**facts, **limits})
        if not self.points or self._in_question or self._done:
            return Finding("press_awaited", facts)
        enough = self._largest_n >= self._least_n
        return Finding("let_go_awaited" if enough else "load_seen", {**facts, **limits})

    @property
    def _end_n(self) -> float:
        return BLOCK_END_SHARE * self._least_n

    def feed(self, block: RawBlock) -> list[Finding]:
        """Take the next samples; returns what it read from them."""
        said: list[Finding] = []
        samples = usable_of(block.samples)
        if len(block):
            self._usable = samples.size > 0
        loads_n = value(self._load_fit, samples["load_counts"])
        for sample, load_n in zip(samples, loads_n.tolist(), strict=True):
            self._newest_n = load_n
            self._free = self._free or load_n <= self._end_n
            if self._done or not self._free:
                continue  # another press, before this one is stored or undone; or no whole one
            if load_n > self._end_n:
                said += self._press(
                    int(sample["load_counts"]), int(sample["travel_counts"]), load_n
                )
            elif self.points and not self._in_question:
                said += self._let_go()
        return said

    def _press(self, load_counts: int, travel_counts: int, load_n: float) -> list[Finding]:
        if self._in_question:
            self._begin_again()
        rises, gave_mm = load_n >= self._largest_n, self._gave_mm(load_n, travel_counts)
        if gave_mm is not None and not rises and gave_mm < -LIFTED_MM:
            return []  # off the block already, and a slow filter still shows its load
        self.points.append(FlexPoint(load_counts, travel_counts))
        self._largest_n = max(self._largest_n, load_n)
        is_new = rises and gave_mm is not None and self._gives_way(load_n, gave_mm)
        return [Finding.of("spring_no_block", load_n=load_n)] if is_new else []

    def _gave_mm(self, load_n: float, travel_counts: int) -> float | None:
        """Return how far the quill went down since it lay flat; None before, or without a step."""
        if self._mm_per_count is None or (self._from is None and load_n < GIVE_FROM_N):
            return None
        if self._from is None:
            self._from = load_n, travel_counts
        return (self._from[1] - travel_counts) * self._mm_per_count

    def _gives_way(self, load_n: float, gave_mm: float) -> bool:
        """Tell, once in a press, whether what is pressed gives way as no block in a press does."""
        if self._is_spring or self._from is None:
            return False
        over_n = load_n - self._from[0]
        self._gave = over_n, gave_mm
        most_mm = MOST_GIVE_MM_PER_N * max(GIVE_OVER_N, over_n)
        self._is_spring = over_n >= GIVE_OVER_N and abs(gave_mm) > most_mm
        return self._is_spring

    @property
    def _gave_not(self) -> bool:
        """Whether the quill did not go down with the load, as any press gives."""
        if self._gave is None or self._mm_per_count is None:
            return False
        over_n, gave_mm = self._gave
        least_mm = LEAST_GIVE_MM_PER_N * over_n
        return least_mm > abs(self._mm_per_count) and gave_mm < least_mm

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
            samples = len(self.points)
            if samples < FEWEST_SAMPLES:
                self._begin_again()
                return [Finding.of("pressed_fast", samples=samples, fewest=FEWEST_SAMPLES)]
            if self._gave_not:
                self._in_question = True
                return [Finding.of("no_give", largest_n=largest_n), self.task]
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
        """Take the press in question all the same."""
        return self._accept() if self._in_question else [Finding("nothing_to_take")]

    def _begin_again(self) -> None:
        self.points, self._largest_n, self._in_question = [], 0.0, False
        self._from, self._gave, self._is_spring = None, None, False
