"""A sweep's samples as one compressed blob. Pure.

Format names go into the book beside the blob, so that another format can join later:

- `raw1`: zlib over the columns seq, t_us, load_counts, travel_counts (first differences, little
  endian int64) and flags (uint8), one column after the other. Differences of a press compress
  to a few bytes a sample.
- `converted1`: zlib over t_s, load_n, height_mm (little endian float64) and flags (uint8).
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import LOAD_DTYPE, RAW_DTYPE
from coilbench.capture.errors import CoilbenchError

RAW_FORMAT = "raw1"
CONVERTED_FORMAT = "converted1"

_RAW_COLUMNS = ("seq", "t_us", "load_counts", "travel_counts")
_CONVERTED_COLUMNS = ("t_s", "load_n", "height_mm")
_ROW_BYTES = {RAW_FORMAT: 4 * 8 + 1, CONVERTED_FORMAT: 3 * 8 + 1}


def pack(samples: NDArray[np.void]) -> tuple[str, bytes]:
    """Compress samples; returns the format's name and the blob.

    Args:
        samples: shape (n,), dtype RAW_DTYPE or LOAD_DTYPE.
    """
    if samples.dtype == RAW_DTYPE:
        columns = [np.diff(samples[name].astype("<i8"), prepend=0) for name in _RAW_COLUMNS]
        name = RAW_FORMAT
    else:
        columns = [samples[name].astype("<f8") for name in _CONVERTED_COLUMNS]
        name = CONVERTED_FORMAT
    body = b"".join(column.tobytes() for column in columns) + samples["flags"].tobytes()
    return name, zlib.compress(body, 6)


def unpack(format_name: str, blob: bytes) -> NDArray[np.void]:
    """Give back the samples of a blob, exactly as they were packed.

    Raises:
        CoilbenchError: an unknown format or a damaged blob.
    """
    if format_name not in _ROW_BYTES:
        raise CoilbenchError(
            f"samples are stored in the format {format_name!r}, which this version cannot read",
            mend="Update coilbench",
        )
    try:
        body = zlib.decompress(blob)
    except zlib.error as error:
        raise CoilbenchError(f"stored samples are damaged ({error})") from error
    count, rest = divmod(len(body), _ROW_BYTES[format_name])
    if rest:
        raise CoilbenchError("stored samples are damaged (their length is wrong)")
    if format_name == RAW_FORMAT:
        samples = np.empty(count, RAW_DTYPE)
        for place, name in enumerate(_RAW_COLUMNS):
            column = np.frombuffer(body, "<i8", count, offset=place * count * 8)
            samples[name] = np.cumsum(column)
    else:
        samples = np.empty(count, LOAD_DTYPE)
        for place, name in enumerate(_CONVERTED_COLUMNS):
            samples[name] = np.frombuffer(body, "<f8", count, offset=place * count * 8)
    samples["flags"] = np.frombuffer(body, "u1", count, offset=len(body) - count)
    return samples
