"""What the fault tests share with the capture's tests: ready books."""

from support.capture_books import make_book

__all__ = ["make_book"]
