"""Books that are ready for a capture of springs on a simulated rig."""

from support.capture_books import make_book

__all__ = ["make_book"]
