"""`coilbench set show --curves`: the set's curves as a plot on the terminal."""

from __future__ import annotations

from collections.abc import Sequence

import click
from rich.console import Console
from sqlite_utils import Database

from coilbench.analysis.cli.common import console, units
from coilbench.analysis.cli.set_heights import places
from coilbench.analysis.measured import measured_set
from coilbench.analysis.screens.set_plot import set_plot
from coilbench.analysis.screens.set_table import default_heights_mm
from coilbench.analysis.sets.check import DEFAULT_TOLERANCE, check_set
from coilbench.analysis.sets.nominals import rate_aim
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.units import counted

ROWS = 22  # where there is no screen to fill
MOST_ROWS, MOST_COLUMNS = 40, 120


def show_curves(db: Database, record: SetRecord, heights_mm: Sequence[float]) -> None:
    """Print the set's curves, flagged springs marked, judged at heights or at our own choice.

    Raises:
        CoilbenchError: no spring of the set is measured, or none at a height asked for.
    """
    shown, out = units(), console()
    measured = measured_set(db, record, units=shown)
    curves, missing = measured.curves, measured.missing
    asked = places(record, [(mm, None) for mm in heights_mm], curves, shown).asked
    if not asked:
        asked = [(mm, None) for mm in default_heights_mm(curves)]
    at_mm = [mm for mm, _ in asked]
    flags: dict[str, tuple[str, ...]] = {}
    if at_mm:
        check = check_set(
            record.name,
            curves,
            at_mm,
            nominals=[nominal for _, nominal in asked],
            nominal_rate=rate_aim(record.nominal, DEFAULT_TOLERANCE),
            free_length_nominal_mm=record.free_length_mm,
            doubts=measured.doubts,
            units=shown,
        )
        flags = {s.label: tuple(flag.kind for flag in s.flags) for s in check.springs}
    judged = " and ".join(shown.length_text(mm) for mm in at_mm)
    click.echo(f"Set {record.name}" + (f", judged at {judged}" if judged else ""))
    lines = set_plot(
        curves,
        flags,
        shown,
        width=min(out.width, MOST_COLUMNS),
        height=_rows(out) - bool(missing),
        ascii_only="utf" not in (out.encoding or "").lower(),
    )
    click.echo("\n".join(lines))
    if missing:
        click.echo(f"Not measured yet: {counted(len(missing), 'spring')}.")


def _rows(out: Console) -> int:
    """Fill the screen but for the title and the prompt."""
    return min(out.height - 2, MOST_ROWS) if out.is_terminal else ROWS
