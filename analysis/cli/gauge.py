"""`coilbench rig gauge` and `flex`: heights, and the press's give; guided, or from a CSV file.

A step, or heights, other than before are asked about; where the input is no terminal nobody can
answer, and they are refused. Where a datum contradicts the one that stood, the presses that it puts
in doubt are named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import click

from coilbench.analysis.cli.calibrating import can_ask, given_port, store, table
from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.cli.guiding import GuidedRig
from coilbench.analysis.cli.known_rig import KnownRig
from coilbench.analysis.cli.overload import refuse_overload
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import describe, first_few
from coilbench.capture.blocks import Finding, Hello
from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.counting import read_by_travel
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.calibration.fit import LEAST_GAUGES, step_note, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint
from coilbench.capture.calibration.model import NewPart, datum_part
from coilbench.capture.calibration.polynomial import PolynomialFit, value
from coilbench.capture.calibration.standing import (
    StandingTravel,
    heights_moved,
    stop_counts_of,
    stop_note,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.tables.columns import read_points
from coilbench.capture.units import parse_length_mm

_NO_ZERO = (
    "A shift of all lengths alike shows only where the faces touch each other, with nothing "
    "between. Cups do not let them."
)
_TWO_LENGTHS = "Two lengths cannot show an error in one of them."


def gauge_command(
    file: Path | None,
    port: str | None,
    lengths: str | None,
    datum: float | None,
    accept_step: bool,
    accept_datum: bool,
    afresh: bool,
    bell: bool,
) -> None:
    """Calibrate the travel with known lengths between the spring's seats."""
    known = KnownRig.look()
    if file is not None:
        points = read_points(table(file), GaugePoint)
        gauges_mm = [point.length_mm for point in points]
        known.ratings.refuse_gauges(gauges_mm)
        part = travel_part(points, file.name)
        _say_of_zero(gauges_mm, known.ratings)
        store(_with_offset(part, None))
        return
    if lengths is not None and datum is None:
        port, lengths_mm = given_port(port), _lengths_to_read(lengths, known)
        with GuidedRig.open(port, ring=bell) as rig:
            stated = rig.hello.mm_per_count
            read = rig.gauge(lengths_mm, None if accept_step else stated, afresh=afresh)
        with rig.kept_until_stored("gauge"):
            part = travel_part(read.points, "guided", stated)
            _settle_step(part.fit, stated, accepted=accept_step)
            part = _with_heights(part, rig.hello, read.stop_counts, accepted=accept_datum)
            store(_with_touch(part, rig.known).on(rig.hello))
    elif datum is not None and lengths is None:
        known.ratings.refuse_gauges([datum])
        _say_of_zero([datum], known.ratings)
        command = "gauge --lengths 51mm,43mm,35mm,27mm"
        travel = known.calibrated("travel", command)
        with GuidedRig.open(given_port(port), ring=bell) as rig:
            travel = rig.known.own(travel, rig.hello, command)
            _settle_step(travel.fit, rig.hello.mm_per_count, accepted=accept_step)
            read = rig.datum(datum, travel.fit.coefficients[1])
            part = datum_part(travel.fit, read.points[0])
            part = _with_heights(part, rig.hello, read.stop_counts, accepted=accept_datum)
            store(_with_touch(part, rig.known).on(rig.hello))
        if any(isinstance(one, Finding) and one.kind == "heights_moved" for one in part.notes):
            for line in _presses_in_doubt(travel):
                click.echo(line)
    else:
        raise CoilbenchError("give --lengths, --datum or --from", hint="See: rig gauge --help")


def _presses_in_doubt(standing: PartRecord) -> Iterator[str]:
    """Yield what to say of the presses that were read by a datum that is contradicted now."""
    with open_book(book_path()) as db:
        read = read_by_travel(db, standing.part_id, standing.boot_id)
    for name in dict.fromkeys(one.set_name for one in read):
        labels = list(dict.fromkeys(one.label for one in read if one.set_name == name))
        yield (
            f"In doubt, since they were read by the datum before: {first_few(labels)} of {name}; "
            f"they count until you leave them out: coilbench set strokes {as_typed(name)} "
            "--leave LABEL:NUMBER"
        )


def _say_of_zero(lengths_mm: Sequence[float], told: Ratings) -> None:
    """Say what a gauge of 0 means, where it is not told where the cups meet."""
    if told.cups_meet_mm is None and min(lengths_mm, default=1.0) <= 0.0:
        say_aside(
            "0 means that the faces which hold the spring touch each other. Cups do not let them: "
            "with the rims together every height is wrong by both cups' depths. Say where they "
            "meet: coilbench rig ratings --cups-meet 18mm (a rig without cups: 0mm)"
        )


def _lengths_to_read(text: str, known: KnownRig) -> list[float]:
    ask_zero = not known.ratings.cups_meet_mm and not known.travels
    lengths_mm = _checked_lengths_mm(text, ask_zero=ask_zero)
    known.ratings.refuse_gauges(lengths_mm)
    _say_of_zero(lengths_mm, known.ratings)
    return lengths_mm


def _with_heights(
    part: NewPart, hello: Hello, stop_counts: float | None, *, accepted: bool
) -> NewPart:
    """Compare a travel part with the one before; note what came of it, and where the stop is.

    Raises:
        CoilbenchError: the heights are others, and that is not accepted.
    """
    before = _heights_before(hello)
    moved = None
    if before is not None:
        now = StandingTravel(part.fit, stop_counts)
        moved = heights_moved(now, before.travel, same_counts=before.same_counts)
    _settle_heights(moved, accepted=accepted)
    stop = None if stop_counts is None else stop_note(part.fit, stop_counts)
    return _with_offset(part, moved).noted(stop)


def _with_offset(part: NewPart, compared: Finding | None) -> NewPart:
    """Note what tells whether all lengths are shifted alike, or that nothing does."""
    if compared is None and any(point.length_mm == 0.0 for point in part.points):
        return part  # the faces together are no gauge that could be another one
    return part.noted(compared or Finding("offset_unchecked"))


def _with_touch(part: NewPart, known: KnownRig) -> NewPart:
    """Note it where the touch on the gauges could not be seen."""
    return part if known.load is not None else part.noted(Finding("touch_unchecked"))


class _HeightsBefore(NamedTuple):
    """The travel calibration that stands; same_counts: whether its counts are valid still."""

    travel: StandingTravel
    same_counts: bool


def _heights_before(hello: Hello) -> _HeightsBefore | None:
    """Return the newest travel calibration of this rig that a new one can be compared with.

    An incremental scale counts anew at every start of the rig: then it is the newest that knows
    where the quill's stop is, which a datum set during a capture does not.
    """
    travels = KnownRig.look(hello).travels
    own = [one for one in travels if one.device_id in (None, hello.device_id)]
    if not own:
        return None
    newest, known = own[0], [(one, stop_counts_of(one)) for one in own]
    if hello.travel != "quadrature" or newest.boot_id == hello.boot_id:
        return _HeightsBefore(StandingTravel(newest.fit, known[0][1]), True)
    part, stop = next(((one, stop) for one, stop in known if stop is not None), known[0])
    return _HeightsBefore(StandingTravel(part.fit, stop), False)


def flex_command(file: Path | None, port: str | None, least_n: float, bell: bool) -> None:
    """Measure how far the press gives, by pressing on a solid block."""
    known, here = KnownRig.look(), file is not None
    load = known.calibrated("load", "weigh", here=here)
    travel = known.calibrated("travel", "gauge", here=here)
    if file is not None:
        pressed: Sequence[FlexPoint] = read_points(table(file), FlexPoint)
        part = flex_part(pressed, load.fit, travel.fit, file.name)
    else:
        refuse_overload(known.ratings, least_n, "--to")
        with GuidedRig.open(given_port(port), ring=bell) as rig:
            load = rig.known.own(load, rig.hello, "weigh")
            travel = rig.known.own(travel, rig.hello, "gauge")
            pressed = rig.press(load.fit, least_n, travel.fit.coefficients[1])
            part = flex_part(pressed, load.fit, travel.fit, "guided").on(rig.hello)
    largest_n = float(value(load.fit, [point.load_counts for point in pressed]).max())
    store(part, largest_n)


def _checked_lengths_mm(text: str, *, ask_zero: bool = False) -> list[float]:
    """Read the list of gauge lengths, and ask for a third where there are two.

    Args:
        ask_zero: nothing else would show a shift of all lengths: ask for the faces together.

    Raises:
        CoilbenchError: one is below 0, or all are the same.
    """
    lengths_mm = [parse_length_mm(one) for one in text.split(",")]
    if any(length_mm < 0.0 for length_mm in lengths_mm):
        raise CoilbenchError("a length is below 0", where="--lengths", hint="Give 0mm or more")
    if len(set(lengths_mm)) < LEAST_GAUGES:
        raise CoilbenchError(
            "one length gives no scale factor",
            where="--lengths",
            hint="Give three, e.g. 51mm,43mm,35mm; a new datum alone: --datum",
        )
    if ask_zero and can_ask() and 0.0 not in lengths_mm:
        say_aside(_NO_ZERO)
        if click.confirm("Can the faces touch? Then length 0 is read last", default=False):
            lengths_mm.append(0.0)
    if len(set(lengths_mm)) > LEAST_GAUGES:
        return lengths_mm
    if not can_ask():
        say_aside(f"{_TWO_LENGTHS} A third would; the card says that linearity was not checked.")
        return lengths_mm
    third_mm = click.prompt(
        f"{_TWO_LENGTHS} A third length (Enter: go on with two)",
        default="",
        show_default=False,
        value_proc=_length,
    )
    return lengths_mm if third_mm is None else [*lengths_mm, third_mm]


def _length(text: str) -> float | None:
    if not text.strip():
        return None
    try:
        return parse_length_mm(text)
    except CoilbenchError as error:
        raise click.UsageError(error.what) from error


def _insists(words: str) -> bool:
    """Ask whether it shall be stored all the same; nobody there: no."""
    if not can_ask():
        return False
    say_aside(f"{words}.")
    return click.confirm("Store it all the same?", default=False)


def _settle_heights(moved: Finding | None, *, accepted: bool) -> None:
    """Ask whether other heights than those of the calibration before are right.

    Args:
        moved: what was found; None where nothing could be compared.

    Raises:
        CoilbenchError: they are not, or nobody can answer.
    """
    if moved is None or moved.kind != "heights_moved" or accepted:
        return
    words = describe(moved, units())
    if _insists(
        f"{words}. Are the gauges those of the list, and was the quill at its stop at the start? "
        "Other cups, another table or a moved scale make other heights, too"
    ):
        return
    raise CoilbenchError(
        f"not stored: {words}",
        hint="Read the gauges again; if the rig was changed, give --accept-datum",
    )


def _settle_step(fit: PolynomialFit, stated_mm_per_count: float | None, *, accepted: bool) -> None:
    """Ask whether a step that is not the scale's is right; nothing where it agrees.

    Raises:
        CoilbenchError: it is not, or nobody can answer.
    """
    note = step_note(fit.coefficients[1], stated_mm_per_count)
    if note.kind != "step_off" or accepted:
        return
    words = describe(note, units())
    if _insists(words):
        return
    raise CoilbenchError(
        f"not stored: {words}",
        hint="Read the gauges again; if the scale really steps so, give --accept-step",
    )
