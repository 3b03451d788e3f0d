"""`coilbench note`: what a scale and a quill show, keyed in."""

from __future__ import annotations

import click

from coilbench.analysis.cli.common import FRACTION, LENGTH, LOAD, NUMBER, units
from coilbench.analysis.cli.import_files import show_history, take_entry_back, taking_back_options
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.calibrations import find_scale
from coilbench.capture.book.importing import KEYED, store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading, KeyedSetup, parse_note, spring_load_n
from coilbench.capture.units import counted

CAUTION = (
    "Caution: a compressed spring can blind. Capture it at both ends, unplug the press and work "
    "the quill by hand, wear eye protection, keep fingers out, stop before the coils bind."
)


@click.command(
    name="note",
    epilog="Examples: coilbench note --set larch 'larch-07 38.5mm 22.4kg' "
    "'larch-07 27.6mm 40.7kg' ; coilbench note --set larch --at 38.5mm --at 27.6mm --tare 1.2kg ; "
    "coilbench note --set larch --take-back last",
)
@click.argument("lines", nargs=-1)
@click.option("--set", "set_name", required=True, help="The set the springs belong to.")
@click.option(
    "--at",
    "heights_mm",
    type=LENGTH,
    multiple=True,
    help="Guided: the heights to read each spring at.",
)
@click.option(
    "--tare",
    "tare_n",
    type=LOAD,
    default="0kg",
    show_default=True,
    help="What the scale shows with the blocks on it and no spring pressed.",
)
@click.option(
    "--lever",
    "lever_ratio",
    type=NUMBER,
    default="1",
    show_default=True,
    help="The spring's load over the load on the scale, where a bar divides it.",
)
@click.option(
    "--lever-u",
    "lever_u",
    type=FRACTION,
    default="0%",
    show_default=True,
    help="Standard uncertainty of the lever's ratio.",
)
@click.option(
    "--resolution",
    "resolution_n",
    type=LOAD,
    default="0.1kg",
    show_default=True,
    help="The scale's smallest step.",
)
@click.option(
    "--scale",
    "scale_name",
    help="Correct by this scale's own calibration (made with: rig weigh --scale NAME --from FILE); "
    "its scatter then takes the place of --repeatability.",
)
@click.option(
    "--repeatability",
    "repeatability_n",
    type=LOAD,
    default="0.2kg",
    show_default=True,
    help="Standard deviation of the scale's readings of one load.",
)
@click.option(
    "--quill",
    "quill_mm",
    type=LENGTH,
    default="0.1mm",
    show_default=True,
    help="The depth scale's smallest step.",
)
@taking_back_options
def note_command(
    lines: tuple[str, ...],
    set_name: str,
    heights_mm: tuple[float, ...],
    tare_n: float,
    lever_ratio: float,
    lever_u: float,
    resolution_n: float,
    scale_name: str | None,
    repeatability_n: float,
    quill_mm: float,
    history: bool,
    take_back: str | None,
) -> None:
    """Key in readings: each line LABEL LENGTH LOAD, spring by spring or one line at a time.

    LENGTH is a height, or a depth with `down` after it (the set's free length is needed then);
    `up` at the end marks a reading taken on the way up. Without lines, every spring of the set
    is asked for in turn; an empty answer leaves that spring for later.
    """
    if history:
        show_history(KEYED, set_name)
        return
    if take_back is not None:
        take_entry_back(take_back, KEYED, set_name)
        return
    if resolution_n <= 0.0 or quill_mm <= 0.0:
        raise CoilbenchError(
            "no scale and no quill has steps of 0",
            where="--resolution, --quill",
            hint="Give the smallest step that it shows, like 0.1kg and 0.1mm",
        )
    with open_book(book_path()) as db:
        record = find_set(db, set_name)
        scale = None if scale_name is None else find_scale(db, scale_name)
    setup = KeyedSetup(
        tare_n=tare_n,
        lever_ratio=lever_ratio,
        lever_ratio_u=lever_u,
        scale_resolution_n=resolution_n,
        scale_repeatability_n=repeatability_n,
        quill_resolution_mm=quill_mm,
        scale=scale,
    )
    if lines:
        _store(record, [parse_note(line) for line in lines], setup)
    else:
        _guide(record, heights_mm, setup)


def _store(record: SetRecord, readings: list[KeyedReading], setup: KeyedSetup) -> None:
    with open_book(book_path()) as db:
        labels = store_readings(db, record, readings, setup)
    click.echo(f"Stored {counted(len(readings), 'reading')} of {', '.join(labels)}.")


def _guide(record: SetRecord, heights_mm: tuple[float, ...], setup: KeyedSetup) -> None:
    """Ask for each spring in turn; each is stored before the next is asked for."""
    if not heights_mm:
        raise CoilbenchError(
            "nothing to key in",
            hint="Give lines like 'larch-07 38.5mm 22.4kg', or the heights with --at",
        )
    click.echo(CAUTION)
    for label in record.labels:
        readings = []
        for height_mm in heights_mm:
            reading = _ask(label, height_mm, setup)
            if reading is None:
                break
            readings.append(reading)
        if readings:
            _store(record, readings, setup)
    click.echo(f"Next: coilbench set check {record.name} --at HEIGHT")


def _ask(label: str, height_mm: float, setup: KeyedSetup) -> KeyedReading | None:
    shown = units()
    while True:
        prompt = f"{label} at {shown.length_text(height_mm)}: scale shows, in {shown.load}"
        answer = click.prompt(prompt, default="", show_default=False).strip()
        if not answer:
            return None
        try:
            load_n = LOAD.convert(
                answer if answer[-1].isalpha() else answer + shown.load, None, None
            )
            reading = KeyedReading(label, load_n, height_mm=height_mm)
            spring_load_n(reading, setup)
        except CoilbenchError as error:
            click.echo(str(error), err=True)
        else:
            return reading
