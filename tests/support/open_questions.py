"""What leads to each question of a running capture, at a desk of two springs."""

from bench_strokes import Reseated, turned_into
from coilbench.capture.running.checking import ASK_AT
from coilbench.capture.running.commands import Action
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, draw_set
from support.datum_desk import PRESS, SLIP, TO_MM, on_gauge, tell, work
from support.recorder_desk import SPRINGS

SHORT_MM, SLIP_MM = 0.35, 0.09
SUNK = [PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=-SHORT_MM), TO_MM), Rest(1.0)]
OTHER = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]
WRONG = [PressSpring(draw_set(INNER, 1, 4)[0], TO_MM), Rest(1.0)]
BIND = [PressSpring(SPRINGS[0], SPRINGS[0].solid_height_mm - 0.2), Rest(1.0)]


def gauge_differs(desk):
    work(desk, *PRESS)
    on_gauge(desk, 29.5)


def presses_of_the_datum_before(desk):
    work(desk, *PRESS * 2)
    on_gauge(desk, 29.5)
    tell(desk, Action.ACCEPT)


def closing_press_differs(desk):
    work(desk, *PRESS * 3)
    work(desk, *OTHER * 3, slip_mm=SLIP_MM)
    desk.recorder.closing.ask()
    work(desk, *PRESS, slip_mm=SLIP_MM)


def gauge_agrees_beside_a_press_that_moved(desk):
    work(desk, *PRESS * 2, *SUNK)
    tell(desk, Action.GAUGE)
    on_gauge(desk, 30.0)


def ends_early(desk):
    work(desk, *PRESS)
    tell(desk, Action.FINISH)


OPENING = {
    "datum_doubted": lambda desk: work(desk, *PRESS, *SLIP),
    "datum_moved": lambda desk: work(desk, *PRESS * 2, *SUNK),
    "datum_differs": gauge_differs,
    "strokes_in_doubt": presses_of_the_datum_before,
    "strokes_in_doubt, closing": closing_press_differs,
    "sits_otherwise": gauge_agrees_beside_a_press_that_moved,
    "another_spring": lambda desk: work(desk, *PRESS * 3, *WRONG),
    "same_again": lambda desk: work(desk, *PRESS, *SLIP * ASK_AT),
    "solid_seen": lambda desk: work(desk, *BIND),
    "finish_unfinished": ends_early,
}
