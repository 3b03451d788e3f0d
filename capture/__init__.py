"""Numbers in: the wire, the sources, calibration, strokes, the book and the daemon."""
