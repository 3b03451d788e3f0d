"""The next presses as one self-contained page with boxes to write in."""

from __future__ import annotations

from itertools import groupby

from coilbench.analysis.engine.presses import PressPlan
from coilbench.analysis.report.html import render
from coilbench.analysis.report.plan_text import plan_text
from coilbench.analysis.report.units import Units


def plan_page(plan: PressPlan, build_name: str, units: Units, made_utc: str) -> str:
    """Return the page's HTML: nothing fetched, no script.

    Args:
        build_name: the build file's.
        made_utc: when the page was made, ISO 8601.
    """
    text = plan_text(plan, units)
    settings = [list(rows) for _, rows in groupby(text.rows, key=lambda row: (row[0], row[2]))]
    return render(
        "plan.html",
        text=text,
        settings=settings,
        units=units,
        build_name=build_name,
        made=made_utc[:16].replace("T", " "),
    )
