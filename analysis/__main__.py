"""Where the program starts: small, so that Ctrl-C is answered in a line from the first moment.

What comes before, the start of Python itself, is not ours.
"""

from __future__ import annotations

import gc
import os

TYPE_CHECKING = False
if TYPE_CHECKING:  # typing itself takes a while to load
    from typing import NoReturn

_LINE = b"coilbench: stopped\n"
# Objects made between two looks for garbage: what is loaded and decoded lives on, so that the usual
# 700 has the same looked through again and again.
_MADE_BETWEEN_LOOKS = 200_000


def _stop(*_: object) -> NoReturn:
    os.write(2, _LINE)
    os._exit(130)


try:
    import signal

    _OURS = signal.getsignal(signal.SIGINT) is signal.default_int_handler  # else: not to be stopped
    if _OURS:
        signal.signal(signal.SIGINT, _stop)
except KeyboardInterrupt:
    _stop()


def main() -> None:
    """Load the program and run it."""
    gc.set_threshold(_MADE_BETWEEN_LOOKS)
    # Our matrices are small; threads for them cost more when NumPy loads than a whole question.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    from coilbench.analysis.cli import main as program

    if _OURS:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    program()


if __name__ == "__main__":
    main()
