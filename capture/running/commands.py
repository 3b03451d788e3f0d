"""What a person may ask of a running capture: one shape for keys, buttons and the channel. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from coilbench.capture.errors import CoilbenchError

LONGEST_TEXT = 100


class Action(StrEnum):
    """What is asked.

    REDO: the last stroke no longer counts and is wanted again.
    SKIP: this spring comes later; the next one's turn.
    BACK: this spring again from its first stroke; where it has none yet, the spring before.
    RENAME: give a spring another label.
    FINISH: end the capture.
    """

    REDO = "redo"
    SKIP = "skip"
    BACK = "back"
    RENAME = "rename"
    FINISH = "finish"


@dataclass(frozen=True)
class Command:
    """Something asked of a running capture.

    Attributes:
        action: what.
        label: whose turn the asker saw; refused where it is another's by then. Of a rename, the
            spring that gets the new label. None: whose turn it is.
        new_label: of a rename; else None.
    """

    action: Action
    label: str | None = None
    new_label: str | None = None

    def __post_init__(self) -> None:
        if (self.action is Action.RENAME) != (self.new_label is not None):
            raise CoilbenchError(
                "a rename needs a new label, and nothing else takes one",
                where=str(self.action),
                mend="Give new_label with rename only",
            )

    def to_document(self) -> dict[str, str]:
        """Return it as plain values for JSON."""
        whole = {"action": str(self.action), "label": self.label, "new_label": self.new_label}
        return {key: text for key, text in whole.items() if text is not None}

    @classmethod
    def from_document(cls, document: object) -> Command:
        """Return the command that to_document wrote, from anything that came from outside.

        Raises:
            CoilbenchError: it is no command; says why.
        """
        if not isinstance(document, Mapping) or not set(document) <= {
            "action",
            "label",
            "new_label",
        }:
            raise CoilbenchError("this is no command", mend="Give action, label, new_label only")
        texts = [document.get(key) for key in ("action", "label", "new_label")]
        if any(
            t is not None and not (isinstance(t, str) and len(t) <= LONGEST_TEXT) for t in texts
        ):
            raise CoilbenchError(
                "a command holds something else than short text",
                mend=f"Give text of at most {LONGEST_TEXT} characters",
            )
        action, label, new_label = texts
        if action not in list(Action):
            raise CoilbenchError(
                f"there is no action {action!r}", mend=f"Known are {', '.join(Action)}"
            )
        return cls(Action(action), label, new_label)
