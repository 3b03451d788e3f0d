"""The end of a session that waits for the press which closes its set."""

import numpy as np
import pytest

from coilbench.capture.running import session as module
from coilbench.capture.running.commands import EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, draw_set
from support.stage import PRESS, RIG, SPRINGS, Clock, FakeSource, Stage, bench_samples

WRONG = draw_set(INNER, 1, 5)[0]
WAITS_S = 12.0
LOOKS = [PRESS[:0]] * 100  # each 0.1 s: most of that


@pytest.fixture
def stage(make_book, monkeypatch):
    monkeypatch.setattr(module, "CLOSING_S", WAITS_S)
    clock = Clock()
    clock.in_step(monkeypatch)
    clock.patience_s = 0.3

    def begin(*pressed):
        steps = [Rest(2.0)]
        for spring, to_mm in [*((one, 26.0) for one in SPRINGS), *pressed]:
            steps += [PressSpring(spring, to_mm), Rest(1.0)]
        pieces = np.array_split(bench_samples(steps), 10 * (2 + len(pressed)))
        first, script = 20, []
        script += pieces[:first]
        for at in range(len(pressed)):
            script += [*LOOKS, *pieces[first + 10 * at : first + 10 * (at + 1)]]
        script += [PRESS[:0]] * 200
        book = make_book(RIG, conditioning=0, measured=1)
        return Stage(book, FakeSource(clock, *script), clock=clock, linger_s=1.0)

    return begin


def test_it_has_its_time_again_after_one_of_another_spring(stage):
    waiting = stage((WRONG, 27.0), (SPRINGS[0], 26.0))
    last = waiting.run()
    assert waiting.kinds(EventKind.REFUSED) == ["stroke_refused"]
    assert "set_closed" in waiting.kinds(EventKind.DONE)
    assert last.closed.kind == "set_closed"
    assert (last.springs_done, last.strokes) == (2, 2)


def test_where_none_comes_it_ends_and_says_that_the_set_is_not_closed(stage):
    last = stage().run()
    assert last.closed.kind == "sets_not_closed"
    assert last.closed["label"] == "larch-01"
