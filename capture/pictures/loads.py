"""Draw the loads of springs from a table of them, as psql gives it.

    psql -q --csv -f loads.sql ADDRESS | python capture/pictures/loads.py loads.svg

A panel for each set and height, a dot for each spring with its uncertainty, a line at the set's
median. It reads text and draws, and knows nothing of coilbench: any tool that draws would do.
"""

from __future__ import annotations

import csv
import statistics
import sys
from collections import Counter

import matplotlib
from matplotlib.figure import Figure

INK, MEDIAN = "#1f3a5f", "#b3541e"
matplotlib.rcParams.update({"svg.hashsalt": "loads", "svg.fonttype": "none", "font.size": 8})


def draw(rows: list[dict[str, str]], path: str) -> None:
    """Draw rows to an SVG file.

    Each has set_id, set_name, label, height_mm, load_n and load_u_n (k = 2).
    """
    panels: dict[tuple[str, str, float], list[dict[str, str]]] = {}
    for row in rows:
        of = row["set_name"], row["set_id"], float(row["height_mm"])
        panels.setdefault(of, []).append(row)
    sets = Counter(name for name, _ in {(name, set_id) for name, set_id, _ in panels})
    figure = Figure(figsize=(2.6 * len(panels), 2.8), layout="constrained")
    for number, ((name, set_id, height_mm), own) in enumerate(sorted(panels.items()), 1):
        axes = figure.add_subplot(1, len(panels), number)
        loads_n = [float(row["load_n"]) for row in own]
        reach_n = [float(row["load_u_n"]) for row in own]
        axes.axhline(statistics.median(loads_n), color=MEDIAN, linewidth=0.8)
        labels = [row["label"].removeprefix(f"{name}-") for row in own]
        axes.errorbar(labels, loads_n, reach_n, fmt="o", color=INK, markersize=3, capsize=2)
        which = name if sets[name] == 1 else f"{name}~{set_id[:4]}"
        axes.set_title(f"{which} at {height_mm:g} mm")
        axes.set_ylabel("load in N, ± at k = 2")
    figure.savefig(path, format="svg", metadata={"Date": None})


if __name__ == "__main__":
    draw([row for row in csv.DictReader(sys.stdin) if row["load_n"]], sys.argv[1])
