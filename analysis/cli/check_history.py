"""`coilbench rig check --history`: the checks so far and how their error goes with time."""

from __future__ import annotations

from typing import Any

import click

from coilbench.analysis.cli.common import book_path, print_document, show_warnings
from coilbench.analysis.rig.check import PastCheck, Trend, trend
from coilbench.analysis.rig_record import past_checks, rig_warnings
from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.checks import CheckRecord, mass_checks
from coilbench.capture.book.opening import open_book


def trend_words(goes: Trend) -> str:
    """Say a trend in a sentence."""
    verdict = "it drifts" if goes.plain else "no drift can be told from it"
    return (
        f"Over {goes.checks} checks the error goes by {goes.percent_per_30_days:+.3f} "
        f"± {goes.u_percent_per_30_days:.3f} % in 30 days: {verdict}."
    )


def check_document(record: CheckRecord) -> dict[str, Any]:
    """Return a check for JSON."""
    return {"check_id": record.check_id, "made_utc": record.made_utc, **vars(record.check)}


def trend_document(goes: Trend | None) -> dict[str, Any] | None:
    """Return a trend for JSON; null where there is none."""
    return None if goes is None else {**vars(goes), "drifts": goes.plain}


def show_history(as_json: bool) -> None:
    """Print every check, the trend of those of the calibration in force, and warnings."""
    with open_book(book_path()) as db:
        part = newest_part(db, "load")
        records = mass_checks(db)
        of_this = () if part is None else mass_checks(db, part.part_id)
        warned = rig_warnings(db)
    goes = trend(past_checks(of_this))
    if as_json:
        print_document(
            {
                "checks": [check_document(record) for record in records],
                "trend": trend_document(goes),
                "warnings": list(warned),
            }
        )
        return
    if not records:
        click.echo("No check yet. Make one with: coilbench rig check --port PORT --mass 20kg")
    current = None if part is None else part.part_id
    for record, past in zip(records, past_checks(records), strict=True):
        older = "" if record.check.load_part_id == current else "   (an earlier calibration)"
        click.echo(_history_line(past) + older)
    if goes is not None:
        click.echo(trend_words(goes))
    show_warnings(warned)


def _history_line(past: PastCheck) -> str:
    expected_n = past.mass_kg * past.gravity_m_s2
    return (
        f"{past.made_utc[:16].replace('T', ' ')}  {past.mass_kg:g} kg  "
        f"{past.error_percent:+.2f} %  (± {past.error_u_n / expected_n * 100:.2f} %, "
        f"{past.tolerance_n / expected_n * 100:.2f} % allowed)  "
        f"{'pass' if past.passed else 'FAIL'}"
    )
