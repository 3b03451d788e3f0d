"""A desk for presses by a datum that slips, is in doubt, or is set anew."""

import numpy as np

from bench_strokes import Slipping, turned_into
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.notes import waits_for
from coilbench.capture.running.commands import Action, Command
from coilbench.capture.running.stop_watch import StopWatch
from coilbench.capture.virtual.bench import GaugeBlock, PressSpring, Rest
from support.recorder_desk import RIG, SPRINGS, Desk, bench_samples

TO_MM = 28.0
PRESS = [PressSpring(SPRINGS[0], TO_MM), Rest(1.0)]
SLIP = [PressSpring(turned_into(SPRINGS[0], Slipping), TO_MM), Rest(1.0)]
SLIGHT = [PressSpring(turned_into(SPRINGS[0], Slipping, slip_mm=0.19), TO_MM), Rest(1.0)]
GAUGE = [GaugeBlock(30.0, 6.0), Rest(1.0)]


def take(desk, samples):
    for piece in np.array_split(samples, max(1, samples.size // 20)):
        desk.take(piece)


def work(desk, *steps, slip_mm=0.0, until_s=None, least_counts=None, jump_mm=0.0):
    """Press, or stand on a gauge; steps begin with a rest.

    Args:
        least_counts: a still hand holds the quill so low.
        jump_mm: so far the scale leaps up for the second half of the time, with no way between.
    """
    samples = bench_samples([Rest(2.0), *steps])
    if least_counts is not None:
        samples["travel_counts"] = np.maximum(samples["travel_counts"], least_counts)
    leaps = samples["t_us"] > 0.5 * samples["t_us"][-1]
    samples["travel_counts"][leaps] -= round(jump_mm * RIG.travel_counts_per_mm)
    before = desk.run_on
    samples["seq"] += before[0]
    samples["t_us"] += before[1]
    samples["travel_counts"] -= round(slip_mm * RIG.travel_counts_per_mm)
    if until_s is not None:
        samples = samples[: round(until_s * RIG.rate_hz)]
    desk.run_on = int(samples["seq"][-1]) + 1, int(samples["t_us"][-1]) + 11_000
    take(desk, samples)


Desk.run_on = (0, 0)


def in_one(desk, *parts):
    """Work at one bench, whose springs stay worked, in parts: what is done, and how far it slipped.

    Yields after each part; another desk that is sent to it is worked at from there on.
    """
    steps, at, done = [Rest(2.0)], 0, []
    for more, slip_mm in parts:
        steps += more
        done.append((bench_samples(steps).size, slip_mm))
    samples = bench_samples(steps)
    samples["seq"] += desk.run_on[0]
    samples["t_us"] += desk.run_on[1]
    for end, slip_mm in done:
        piece = samples[at:end].copy()
        piece["travel_counts"] -= round(slip_mm * RIG.travel_counts_per_mm)
        at = end
        take(desk, piece)
        desk.run_on = int(piece["seq"][-1]) + 1, int(piece["t_us"][-1]) + 11_000
        desk = (yield) or desk


def tell(desk, action, height_mm=None):
    desk.recorder.execute(Command(action, height_mm=height_mm))


def counted(desk):
    """Return of each press 1 or 0, or ~ where it waits in the book."""
    return ["~" if waits_for(row["note"]) else row["counted"] for row in desk.rows()]


def on_gauge(desk, typed_mm, slip_mm=0.0):
    work(desk, *GAUGE, slip_mm=slip_mm, until_s=6.5)
    tell(desk, Action.DATUM, typed_mm)


def said(desk, kind):
    return " ".join(describe(found, Units()) for found in desk.found(kind))


class NoStop(StopWatch):
    """A quill that is never seen at its stop."""

    def look(self, *_args, **_named):
        return None
