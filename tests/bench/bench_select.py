"""How long selecting from a whole shelf takes: 4,000 outers, 4,000 inners, 16 valves.

    python tests/bench/bench_select.py                     the search alone
    python tests/bench/bench_select.py --springs 4000    and `assign` over every set of such a book
    python tests/bench/bench_select.py --only-books --springs 96 4000

The search: simulated springs as in bench_assignment.py (fixed seeds), ten stacks of shims; loads
known exactly, or each within so much. What it says is held to SciPy's `milp` over every pair of a
small shelf. The books: sets of twelve springs with three strokes each, the demo's, each spring
stiffer or softer by its own share (a standard deviation of 6 %, half of the variance from set to
set), so many springs of either role; `assign` with `outer = "*"` and `inner = "*"`, nothing kept
before, and once more with what that kept. CPU seconds of all processes.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from bench_assignment import (
    INNER_RATE,
    LIFT_MM,
    OPEN_TOLERANCE_N,
    OUTER_RATE,
    SEAT_TOLERANCE_N,
    STACKS_MM,
    THICKNESSES_MM,
    plain,
)
from coilbench.analysis.cli import run
from coilbench.analysis.cli.demo import BUILD_FILE
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.wide_search import NEIGHBOURS, Spans, WideProblem
from shop_books import demo, fill

VALVES, SPREAD = 16, 0.06


def draw(
    count: int, seed: int, stock: int | None = None, half: float = 0.0, valves: int = VALVES
) -> WideProblem:
    """A shelf: so many outers and inners; half: how far each load may be off, in tolerances."""
    rng = np.random.default_rng([seed, count])
    heights = 39.0 + 0.15 * rng.standard_normal(valves)
    at_mm = heights[:, None] - np.array([sum(stack) for stack in STACKS_MM])[None, :]
    seat_n = OUTER_RATE * 14.6 + INNER_RATE * 12.6
    card_n = np.array([seat_n, seat_n + (OUTER_RATE + INNER_RATE) * LIFT_MM])
    sides = []
    for rate, free_mm, offset_mm, less_n in (
        (OUTER_RATE, 53.0, 0.0, card_n),
        (INNER_RATE, 49.0, 2.0, np.zeros(2)),
    ):
        rates = rate * (1.0 + 0.03 * rng.standard_normal(count))
        pressed = free_mm + 0.3 * rng.standard_normal(count) - (at_mm - offset_mm)[:, :, None]
        loads_n = np.stack([rates * pressed, rates * (pressed + LIFT_MM)], axis=-1)
        middle = (loads_n - less_n) / np.array([SEAT_TOLERANCE_N, OPEN_TOLERANCE_N])
        sides.append(Spans(middle - half, middle + half))
    scarce = stock is not None
    uses = [[stack.count(thick) for thick in THICKNESSES_MM] for stack in STACKS_MM]
    return WideProblem(
        sides[0],
        sides[1],
        np.ones(valves, dtype=np.intp),
        np.ones(count, dtype=np.intp),
        np.array(uses, dtype=float) if scarce else np.zeros((len(STACKS_MM), 0)),
        np.full(len(THICKNESSES_MM) if scarce else 0, float(stock or 0)),
        np.zeros(len(STACKS_MM)),
    )


def search(count: int) -> None:
    """Print how long the search takes and what it proves."""
    print("outers x inners x valves x stacks                  CPU s   wall s   sum       bound")
    cases = [("loads known", None, 0.0), ("4 of each shim", 4, 0.0), ("each load off", None, 0.02)]
    for name, stock, half in cases:
        for seed in range(2):
            problem = draw(count, seed, stock, half)
            cpu_s, wall_s = time.process_time(), time.perf_counter()
            found = problem.solve(Solving())
            cpu_s, wall_s = time.process_time() - cpu_s, time.perf_counter() - wall_s
            print(
                f"{count} x {count} x {VALVES} x {len(STACKS_MM)}, {name:14} seed {seed}  "
                f"{cpu_s:8.2f} {wall_s:8.2f}   {found.objective:.2e}  {found.bound:.2e}  "
                f"{found.status}",
                flush=True,
            )


def against_milp() -> None:
    """Compare with the plain programme over all pairs of a small shelf."""
    for seed in range(3):
        problem = draw(20, seed, valves=4)
        found = problem.solve(Solving())
        whole, _, _ = problem.within(NEIGHBOURS * 20, 10**9)
        answer = plain(whole, 120.0)
        assert found.objective is not None
        assert answer.fun is not None
        print(
            f"20 x 20 x 4, seed {seed}: ours {found.objective:.6f} {found.status}, plain "
            f"{answer.fun:.6f}, gap left {answer.mip_gap:.0%}",
            flush=True,
        )


def books(folder: Path, springs: list[int], seconds: float) -> None:
    """Print how long `assign` takes over every set of a book, twice."""
    template = folder / "demo.db"
    if not template.exists():
        demo(template)
    for count in springs:
        book, build = folder / f"shelf{count}.db", folder / "every.toml"
        os.environ["XDG_CACHE_HOME"] = str(folder / f"cache{count}")
        if not book.exists():
            fill(template, book, count, "out", "outer", "larch", SPREAD)
            fill(template, book, count, "inn", "inner", "heron", SPREAD)
        text = BUILD_FILE.replace('["larch", "rowan"]', '"*"').replace('["heron", "plover"]', '"*"')
        build.write_text(text.replace("[head]", f"[head]\nvalves = {VALVES}", 1), "utf-8")
        for _ in range(2):
            assigned(book, build, count, seconds)


def cpu_of_all_s() -> float:
    """CPU seconds of this process and of those that it began and that have ended."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(one.ru_utime + one.ru_stime for one in both)


def assigned(book: Path, build: Path, count: int, seconds: float) -> None:
    """Print how long one answer took, and what it says."""
    told = io.StringIO()
    cpu_s, wall_s = cpu_of_all_s(), time.perf_counter()
    with contextlib.redirect_stdout(told):
        run(["--book", str(book), "assign", str(build), "--seconds", str(seconds), "--json"])
    cpu_s, wall_s = cpu_of_all_s() - cpu_s, time.perf_counter() - wall_s
    load = os.getloadavg()[0]
    found = json.loads(told.getvalue())
    chosen = next(one for one in found["levels"] if one["effort"] == found["effort"])
    judged = [len(shelf["judged"]) for shelf in found["from_book"]]
    looks = {key: number for key, number in chosen.items() if key.startswith("looks_")}
    print(
        f"{count} outers, {count} inners: CPU {cpu_s:.1f} s, wall {wall_s:.1f} s, load average "
        f"{load:.1f}; {judged} sets judged, {chosen['valves_that_fit']} of {VALVES} inside, sum "
        f"{found['objective']:.3g}, bound {found['bound']:.3g}, proven {found['proven']}; {looks}",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--springs", type=int, nargs="*", default=[])
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--only-books", action="store_true")
    parser.add_argument("--seconds", type=float, default=60.0)
    given = parser.parse_args()
    if not given.only_books:
        search(4000)
        against_milp()
    if given.springs:
        with tempfile.TemporaryDirectory() as own:
            books(given.folder or Path(own), given.springs, given.seconds)


if __name__ == "__main__":
    main()
