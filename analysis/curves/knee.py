"""Is a course straight, has it a knee, or does it bend smoothly? Models tested. Pure."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import fdtrc, stdtrit

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.line_fits import effective_count

CUBIC = 4  # parameters of a cubic; a line with a knee has as many
RICHEST = 6  # of a cubic with a knee: what it leaves is noise
KNEES_A_CELL = 4  # knees tried between two readings
EDGE_SHARE = 0.1  # nearer to an end of the course no knee is looked for; ours
FEWEST = 60  # readings below which nothing is told: they would not show their correlation; ours
FEWEST_EFFECTIVE = 2.0  # independent readings beyond the richest model's; ours


class Course(NamedTuple):
    """Loads over heights that run evenly upwards, shape (n,) each."""

    height_mm: Array
    load_n: Array


class Models(NamedTuple):
    """How well a line, a line with a knee and a cubic suit a course.

    Attributes:
        bent_chance: how likely a straight course with such noise would seem bent at least so much.
        knee_over_smooth: Akaike's criterion of the cubic less that of the knee, the noise taken
            as known; they have equally many parameters. Above 0 the knee suits better; from 4 on
            considerably (Burnham and Anderson, Model Selection and Multimodel Inference, 2002,
            from memory).
        knee_mm, knee_u_mm: where the best knee lies; its expanded uncertainty, 95 %, by the
            heights at which the fit is hardly worse.
    """

    bent_chance: float
    knee_over_smooth: float
    knee_mm: float
    knee_u_mm: float


def compare_models(course: Course) -> Models | None:
    """Test a line against bent courses.

    The line is tested against the cubic it is part of, by an F-test with the number of readings
    that the noise's correlation leaves: a knee's own test would have no F law, for a line has no
    place for a knee (Davies, Biometrika 64, 1977, from memory), and a cubic follows a knee well
    enough to find it. Which of both it is, is told afterwards by how well they fit.

    Returns:
        None where the readings are too few to tell.
    """
    n = course.height_mm.size
    if n < FEWEST:
        return None
    middle, half = np.mean(course.height_mm), 0.5 * float(np.ptp(course.height_mm))
    x = (course.height_mm - middle) / half
    line, cubic = (np.linalg.qr(np.vander(x, count))[0] for count in (2, CUBIC))
    off_line, off_cubic = _off(course.load_n, line), _off(course.load_n, cubic)
    at, rss, bend = _try_knees(x, off_line, line)
    own = _off(bend, cubic)
    off_both = off_cubic - own * float(own @ off_cubic) / float(own @ own)
    freedom = max(effective_count(off_both, RICHEST) - RICHEST, FEWEST_EFFECTIVE)
    rounding = 1e-20 * float(course.load_n @ course.load_n)  # all that exact courses leave
    noise = max(float(off_both @ off_both), rounding) / freedom
    line_rss, cubic_rss, knee_rss = (
        float(off_line @ off_line),
        float(off_cubic @ off_cubic),
        float(rss.min()),
    )
    f = max(line_rss - cubic_rss, 0.0) / 2.0 / noise
    slack = noise * float(stdtrit(freedom, 0.975)) ** 2
    near, best = at[rss <= knee_rss + slack], float(at[np.argmin(rss)])
    u = max(float(near.max()) - best, best - float(near.min())) + 0.5 * float(at[1] - at[0])
    return Models(
        bent_chance=float(fdtrc(2.0, freedom, f)),
        knee_over_smooth=(cubic_rss - knee_rss) / noise,
        knee_mm=float(middle + half * best),
        knee_u_mm=half * u,
    )


def _off(y: Array, basis: Array) -> Array:
    return np.asarray(y - basis @ (basis.T @ y), dtype=np.float64)


def _try_knees(x: Array, off_line: Array, line: Array) -> tuple[Array, Array, Array]:
    """Try every knee.

    Returns:
        The knees, shape (k,), the sum of squares that each leaves, and the best one's column,
        less what is a line of it, shape (n,).
    """
    inside = 1.0 - 2.0 * EDGE_SHARE
    at = np.linspace(-inside, inside, KNEES_A_CELL * x.size)
    bends = np.maximum(x[:, None] - at, 0.0)
    bends -= line @ (line.T @ bends)
    size = np.einsum("nk,nk->k", bends, bends)
    rss = np.maximum(float(off_line @ off_line) - (off_line @ bends) ** 2 / size, 0.0)
    return at, rss, bends[:, int(np.argmin(rss))]
