"""Presses of a spring that were refused and agree with each other: the odd one may be another."""

from __future__ import annotations

from collections.abc import Sequence

from coilbench.capture.blocks import Finding
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.running.judged import LeftOut, Rival, Waiting
from coilbench.capture.running.own_presses import OwnPresses, agree
from coilbench.capture.strokes.likeness import alike, mean_of_ways
from coilbench.capture.strokes.sweep import Sweep


class Rivals:
    """Keeps the presses that departed from those which count, since one counted last.

    Used by the thread that owns the book.
    """

    def __init__(self, own: OwnPresses) -> None:
        self._own = own
        self._rivals: list[Rival] = []
        self._rival: Sweep | None = None  # the newest press, if it may be one

    def forget(self) -> None:
        """A stroke counted."""
        self._rivals = []

    def next_press(self) -> None:
        """Another press is to be judged."""
        self._rival = None

    def refused(self, press: Waiting) -> None:
        """The newest press was refused; it may be another one that is odd."""
        if self._rival is not None:
            self._rivals.append(Rival(press, self._rival))

    def gauged(self) -> None:
        """A gauge agrees with the datum: heights were right in what was refused."""
        self._rivals = [one._replace(gauged=True) for one in self._rivals]

    def majority(self, sweep: Sweep, slip: Finding, *, said: bool) -> tuple[Rival, ...]:
        """Return presses that agree with one that slipped beside those that count.

        Two that agree show that the odd one slipped, if the heights are right: that a person says.
        The quill's stop cannot, for a seat that sank moves heights, too. Other loads or heights
        throughout may be those of another spring, put in twice: that is asked, and no majority
        settles it.
        """
        agreeing = self.agreeing(sweep) if slip["of_one_spring"] else ()
        return agreeing if said else ()

    def outvoted(
        self, sweep: Sweep, departs: Finding, rivals: Sequence[Rival], record: SetRecord
    ) -> tuple[LeftOut, ...]:
        """Return what was pressed to read a spring that more presses than those contradict.

        Only heights are others; if a person says that the spring sits otherwise, it was so before.
        """
        if departs.kind != "datum_moved" or departs.facts["calibrated_anew"]:
            return ()
        before = self._own.of(sweep.label, record)
        if not rivals or len(rivals) < len(before):
            return ()
        measured = [one.sweep_id for one in before if not one.works]
        return tuple(LeftOut(one, at, (departs,)) for at, one in enumerate(measured, start=1))

    def of_others(self, sweep: Sweep) -> list[str]:
        """Name other springs of which refused presses are like this one."""
        mean = mean_of_ways(sweep.loading, sweep.unloading)
        others = [one.sweep for one in self._rivals if one.sweep.label != sweep.label]
        like = (one for one in others if alike(mean, mean_of_ways(one.loading, one.unloading)))
        return list(dict.fromkeys(one.label for one in like))

    def agreeing(self, sweep: Sweep) -> tuple[Rival, ...]:
        """Return refused presses of the spring that agree with one that departs as they did."""
        self._rival = sweep
        mine = (one for one in self._rivals if one.sweep.label == sweep.label)
        return tuple(one for one in mine if agree(sweep, one.sweep))
