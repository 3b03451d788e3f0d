"""What can be asked of a running capture, and what sorts of thing happen in it. Light to import."""

from __future__ import annotations

from enum import StrEnum


class Action(StrEnum):
    """What is asked.

    REDO: the last stroke no longer counts and is wanted again.
    SKIP: this spring comes later; the next one's turn.
    BACK: this spring again from its first stroke; where it has none yet, the spring before.
    RENAME: give a spring another label.
    ACCEPT: yes to the question that stands.
    TAKE_OUT: no to it; of a press, that it does not count and the spring is taken out.
    GAUGE: a gauge for a datum is about to be brought between the faces.
    DATUM: the faces stand on a gauge of this length, lightly, and heights are known from here.
    FINISH: end the capture; asks once where springs are unfinished.
    """

    REDO = "redo"
    SKIP = "skip"
    BACK = "back"
    RENAME = "rename"
    ACCEPT = "accept"
    TAKE_OUT = "take_out"
    GAUGE = "gauge"
    DATUM = "datum"
    FINISH = "finish"


# What happened is that a press which waited counts.
COUNTS = frozenset({"accepted", "counts_now", "given_back", "heights_said", "rival_agrees"})
# Whether heights are right: what a gauge that is on its way answers.
OF_HEIGHTS = frozenset({"datum_moved", "datum_doubted"})
# Whether a press counts that waits for the answer: left unanswered, it does not.
OF_A_PRESS = frozenset(
    {"another_spring", "touched_low", "datum_moved", "sits_otherwise", "same_again"}
)


class EventKind(StrEnum):
    """What sort of thing happened."""

    KEPT = "kept"
    WAITS = "waits"  # a press that counts for good, or at all, only once more is known
    REFUSED = "refused"
    REDO = "redo"
    TURN = "turn"  # another spring's turn than before, because someone asked
    RESCUED = "rescued"
    FAULT = "fault"
    LINK = "link"
    QUESTION = "question"
    DONE = "done"
