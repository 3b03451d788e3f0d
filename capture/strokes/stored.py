"""A sweep as the book has it: its reduced curve, and its samples as one compressed blob. Pure.

Format names go into the book beside the blob, so that another format can join later:

- `raw1`: zlib over the columns seq, t_us, load_counts, travel_counts (first differences, little
  endian int64) and flags (uint8), one column after the other. Differences of a press compress
  to a few bytes a sample.
- `converted1`: zlib over t_s, load_n, height_mm (little endian float64) and flags (uint8).
"""

from __future__ import annotations

import zlib
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import LOAD_DTYPE, RAW_DTYPE, LoadBlock, usable_of
from coilbench.capture.calibration.statistics import distinct
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch

STEP_MM = 0.25
# Of a stroke's highest load: so far a line between the curve's points may be from those left out.
# Ours: a tenth of a newton in 500 N, a third of what a good rig's loads are uncertain by (k = 2).
STRAIGHT_SHARE = 0.0002
JITTER_MM = 0.1  # ours: going back by no more than this is an unsteady hand, no pass back
BranchName = Literal["loading", "unloading"]


class CurveRow(msgspec.Struct, frozen=True):
    """One point of a reduced curve."""

    branch: BranchName
    point: int
    height_mm: float
    load_n: float


def split_branches(block: LoadBlock) -> tuple[Branch, Branch]:
    """Split a stroke at its lowest height: loading before and at it, unloading after it.

    Samples whose flags say that load or travel can't be used are left out.
    """
    samples = usable_of(block.samples)
    return Branch(samples["height_mm"], samples["load_n"]).split()


def reduce_branch(name: BranchName, branch: Branch, step_mm: float = STEP_MM) -> Branch:
    """Reduce a sampled branch to one point a height step: the mean height and load of the step.

    Points come in time order of the branch (heights fall while loading, rise while unloading). A
    pass back up on the way down, or down on the way up, is left out: friction makes it read
    between the branches.
    """
    if len(branch) == 0:
        return branch
    branch = _one_way(name, branch)
    steps = np.floor(branch.height_mm / step_mm).astype(np.int64)
    place = distinct(steps).searchsorted(steps)
    share = np.bincount(place).astype(np.float64)
    heights, loads = (np.bincount(place, x) / share for x in (branch.height_mm, branch.load_n))
    order = slice(None, None, -1 if name == "loading" else 1)
    return Branch(heights[order], loads[order])


def _one_way(name: BranchName, branch: Branch) -> Branch:
    """Keep the first visit to a height on the way down and the last one on the way up."""
    height_mm = branch.height_mm if name == "loading" else branch.height_mm[::-1]
    first = height_mm <= np.minimum.accumulate(height_mm) + JITTER_MM
    keep = first if name == "loading" else first[::-1]
    return Branch(branch.height_mm[keep], branch.load_n[keep])


def points_as_rows(loading: Branch, unloading: Branch) -> list[CurveRow]:
    """Return chosen points as rows, as they are."""
    ways: tuple[tuple[BranchName, Branch], ...] = (("loading", loading), ("unloading", unloading))
    return [
        CurveRow(name, point, height_mm, load_n)
        for name, branch in ways
        for point, (height_mm, load_n) in enumerate(
            zip(branch.height_mm.tolist(), branch.load_n.tolist(), strict=True)
        )
    ]


def reduced_curve(block: LoadBlock) -> list[CurveRow]:
    """Return both branches of a stroke, reduced; fewer points where a branch is straight."""
    loading, unloading = split_branches(block)
    ways = reduce_branch("loading", loading), reduce_branch("unloading", unloading)
    highest_n = max(float(np.abs(way.load_n).max(initial=0.0)) for way in ways)
    return points_as_rows(*(_bends(way, STRAIGHT_SHARE * highest_n) for way in ways))


def _bends(branch: Branch, most_n: float) -> Branch:
    """Return the ends of a branch, and of its points those without which a line would miss one.

    Between what is kept, straight lines are nowhere farther than most_n from what is left out
    (Ramer 1972; Douglas and Peucker 1973, from memory, with the distance in load).
    """
    # some tens: an array takes longer
    points = list(zip(branch.height_mm.tolist(), branch.load_n.tolist(), strict=True))
    keep, parts = {0, len(points) - 1}, [(0, len(points) - 1)] if len(points) > 2 else []
    while parts:
        first, last = parts.pop()
        (begin_mm, begin_n), (end_mm, end_n) = points[first], points[last]
        rate = (end_n - begin_n) / (end_mm - begin_mm)
        at_0_n = begin_n - rate * begin_mm
        off_n = [load_n - rate * height_mm for height_mm, load_n in points[first + 1 : last]]
        above_n, below_n = max(off_n), min(off_n)
        if max(above_n - at_0_n, at_0_n - below_n) > most_n:
            most = above_n if above_n - at_0_n >= at_0_n - below_n else below_n
            farthest = first + 1 + off_n.index(most)
            keep.add(farthest)
            if farthest - first > 1:
                parts.append((first, farthest))
            if last - farthest > 1:
                parts.append((farthest, last))
    kept = np.zeros(len(points), dtype=np.bool_)
    kept[list(keep) if points else []] = True
    return branch.at(kept)


RAW_FORMAT = "raw1"
CONVERTED_FORMAT = "converted1"
LEVEL = 4  # of zlib: a blob is 2 % larger than at 6, and made in a seventh of the time
MOST_SAMPLES = 2_000_000  # ours: a hundred times the samples of the longest stroke on a rig

_LAYOUTS = {RAW_FORMAT: (RAW_DTYPE, "<i8"), CONVERTED_FORMAT: (LOAD_DTYPE, "<f8")}


def pack(samples: NDArray[np.void]) -> tuple[str, bytes]:
    """Compress samples; returns the format's name and the blob.

    Args:
        samples: shape (n,), dtype RAW_DTYPE or LOAD_DTYPE.
    """
    raw = samples.dtype == RAW_DTYPE
    name = RAW_FORMAT if raw else CONVERTED_FORMAT
    dtype, wide = _LAYOUTS[name]
    columns = [samples[column].astype(wide) for column in _but_flags(dtype)]
    if raw:
        columns = [np.diff(column, prepend=0) for column in columns]
    body = b"".join(column.tobytes() for column in columns) + samples["flags"].tobytes()
    return name, zlib.compress(body, LEVEL)


def _but_flags(dtype: np.dtype[np.void]) -> list[str]:
    return [name for name in dtype.names or () if name != "flags"]


def unpack(format_name: str, blob: bytes) -> NDArray[np.void]:
    """Give back the samples of a blob, exactly as they were packed.

    Raises:
        CoilbenchError: an unknown format or a damaged blob.
    """
    if format_name not in _LAYOUTS:
        raise CoilbenchError(
            f"samples are stored in the format {format_name!r}, which this version cannot read",
            hint="Update coilbench",
        )
    dtype, wide = _LAYOUTS[format_name]
    names = _but_flags(dtype)
    body = _unpacked(blob, most_bytes=MOST_SAMPLES * (8 * len(names) + 1))
    count, rest = divmod(len(body), 8 * len(names) + 1)
    if rest:
        raise CoilbenchError("stored samples are damaged (their length is wrong)")
    samples = np.empty(count, dtype)
    for place, name in enumerate(names):
        column = np.frombuffer(body, wide, count, offset=place * count * 8)
        samples[name] = np.cumsum(column) if format_name == RAW_FORMAT else column
    samples["flags"] = np.frombuffer(body, "u1", count, offset=len(body) - count)
    return samples


def inflated(packed: bytes, most_bytes: int) -> bytes:
    """Return what was compressed (RFC 1950), and no more than that many bytes of it are made.

    Raises:
        ValueError: it is damaged, or larger.
    """
    stream = zlib.decompressobj()
    try:
        body = stream.decompress(packed, max(most_bytes, 1))  # 0 would be no limit
        if not stream.eof:
            stream.decompress(stream.unconsumed_tail, 1)
    except zlib.error as error:
        raise ValueError(str(error)) from error
    if stream.eof and not stream.unused_data:
        return body
    raise ValueError(
        "they unpack to more than can be" if stream.unconsumed_tail else "they end too early"
    )


def _unpacked(blob: bytes, most_bytes: int) -> bytes:
    try:
        return inflated(blob, most_bytes)
    except ValueError as error:
        raise CoilbenchError(f"stored samples are damaged ({error})") from error
