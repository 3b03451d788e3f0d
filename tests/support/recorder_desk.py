"""A recorder on a book, without threads, links or clocks, and samples to give it."""

import numpy as np

from coilbench.capture.blocks import Hello, RawBlock
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import find_set
from coilbench.capture.running.questions import READ_S
from coilbench.capture.running.recorder import Recorder
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, StrokeKind, capture_steps
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER, draw_set

RIG = RigModel.draw(4)
SPRINGS = draw_set(OUTER, 2, 4)
BOOT = 0xB007
HELLO = Hello(1, "own-1", RIG.device_id, BOOT, 80.0, "quadrature", 5.0)


class Desk:
    """A recorder on a book, and what it said."""

    def __init__(self, db, **options):
        self.db = db
        self.record = find_set(db, "larch")
        self.run = CaptureRun.begin(db, self.record.set_id, "x:", RIG.device_id, "own-1")
        self.events = []
        self.now_s = 0.0
        self.recorder = Recorder(
            db,
            self.run,
            self.record,
            current_calibration(db),
            self.events.append,
            **{"clock": self.clock, **options},
        )
        self.recorder.process_hello(HELLO)

    def clock(self):
        """Each look at it comes later than a person needs to read."""
        self.now_s += 2.0 * READ_S
        return self.now_s

    def take(self, samples, boot_id=BOOT):
        self.recorder.process(RawBlock(samples, boot_id))

    def found(self, kind):
        return [event.what for event in self.events if event.kind is kind]

    def kinds(self, kind):
        return [found.kind for found in self.found(kind)]

    def rows(self, columns="*"):
        return list(self.db.query(f"SELECT {columns} FROM sweeps ORDER BY rowid"))

    def chunks(self):
        return [
            unpack(row["samples_format"], row["samples_blob"])
            for row in self.db.query("SELECT * FROM stroke_chunks ORDER BY chunk")
        ]


def bench_samples(steps=None, seed=4):
    steps = capture_steps(SPRINGS, presses=3) if steps is None else steps
    return np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])


def press(kind=StrokeKind.STEADY, *, presses=1, spring=SPRINGS[0]):
    return bench_samples([Rest(2.0), *[PressSpring(spring, 26.0, kind), Rest(1.0)] * presses])


def lowest(samples):
    return int(np.argmax(samples["travel_counts"]))


def later(samples, after):
    """The samples as they would come after others of the same start."""
    moved = samples.copy()
    moved["seq"] += after["seq"][-1] + 1
    moved["t_us"] += after["t_us"][-1] + 11_000
    return moved
