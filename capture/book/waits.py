"""A press that waits: how the book holds it, and what of it SQL asks. Light and pure.

It is one of a running capture that would count if something showed its heights: the quill at its
stop, the spring's next press, or a person's answer. It is stored as one that does not count, so
that whoever reads `counted` alone gets nothing of it, and a note says what it waits for. Once that
is known it counts, or is left out; of a capture that was killed it is left out. Of those that wait
for no more than an answer, or for their turn, `asked.py` knows.
"""

from __future__ import annotations

COUNTS_ONCE = "counts_once_shown"  # the finding in its note
WAITS = f"instr(sweeps.note, '\"{COUNTS_ONCE}\"')"
# Why nobody knows heights: no person's word alone lets such a press count.
BY_HEIGHTS = ("quill_low", "stop_moved", "datum_doubted")
# What a capture goes on by.
TAKEN = f"(sweeps.counted OR {WAITS})"
