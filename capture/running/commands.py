"""What goes between a running capture and those who watch it: commands in, events out. Pure.

One shape for keys, push-buttons and the control channel; every view reads one snapshot.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import msgspec
from msgspec.structs import asdict, replace

from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.kinds import Action, EventKind
from coilbench.capture.strokes.judging import Turn
from coilbench.capture.strokes.watching import CARE_ONLY

LONGEST_TEXT = 100
LONGEST_KIND = 40
LONGEST_GAUGE_MM = 1000.0
EVENTS_KEPT = 8
NOW_S = 0.5  # a number older than this is not one of now
# Why other windows can't be let in.
ClosedBy = Literal[
    "no_sockets", "not_opened", "folder_not_made",
    "folder_no_folder", "folder_of_another", "folder_shared",
]  # fmt: skip


class Command(msgspec.Struct, frozen=True):
    """Something asked of a running capture.

    Attributes:
        label: whose turn the asker saw; refused where it is another's by then. Of a rename, the
            spring that gets the new label. None: whose turn it is.
        new_label: of a rename; else None.
        height_mm: of a datum, the gauge's length, from 0 (faces together); else None.
        question: of an answer, the kind of the question that the asker saw; refused where another
            one stands by then. None: whichever stands.
    """

    action: Action
    label: Annotated[str, msgspec.Meta(max_length=LONGEST_TEXT)] | None = None
    new_label: Annotated[str, msgspec.Meta(max_length=LONGEST_TEXT)] | None = None
    height_mm: float | None = None
    question: Annotated[str, msgspec.Meta(max_length=LONGEST_KIND)] | None = None

    def __post_init__(self) -> None:
        if (self.action is Action.RENAME) != (self.new_label is not None):
            raise CoilbenchError(
                "a rename needs a new label, and nothing else takes one",
                where=str(self.action),
                hint="Give new_label with rename only",
            )
        if (self.action is Action.DATUM) != (self.height_mm is not None):
            raise CoilbenchError(
                "a datum needs the gauge's length, and nothing else takes one",
                where=str(self.action),
                hint="Give height_mm with datum only",
            )
        if self.height_mm is not None and not 0.0 <= self.height_mm <= LONGEST_GAUGE_MM:
            raise CoilbenchError(
                "no gauge is {length_mm} long",
                where=str(self.action),
                hint="Give the length of the gauge the quill stands on, like 30mm",
                length_mm=self.height_mm,
            )

    def to_document(self) -> dict[str, str | float]:
        """Return it as plain values for JSON."""
        whole = asdict(self) | {"action": str(self.action)}
        return {key: value for key, value in whole.items() if value is not None}

    @classmethod
    def from_document(cls, document: object) -> Command:
        """Return the command that to_document wrote, from anything that came from outside.

        Raises:
            CoilbenchError: it is no command; says why.
        """
        keys = set(cls.__struct_fields__)
        try:
            if not isinstance(document, Mapping) or not set(document) <= keys:
                raise ValueError(f"give {', '.join(sorted(keys))} only")
            command = msgspec.convert(document, cls)
        except ValueError as error:
            known = f"Known actions are {', '.join(Action)}"
            raise CoilbenchError(f"this is no command: {error}", hint=known) from error
        texts = (text for text in (command.label, command.new_label) if text is not None)
        if not all(text.isprintable() for text in texts):
            raise CoilbenchError(
                "the text contains characters that cannot be printed", hint="Leave them out"
            )
        return command


class Event(msgspec.Struct, frozen=True):
    """Something the person at the press should know: what sort of thing, and what exactly."""

    kind: EventKind
    what: Finding

    @classmethod
    def of(cls, kind: EventKind, what: str, **facts: Any) -> Event:
        """Return the event of a finding with these facts."""
        return cls(kind, Finding(what, facts))


_FINDINGS = ("link_what", "load_unknown", "datum", "alarm", "question", "quill_low", "closed")


class Snapshot(msgspec.Struct, frozen=True):
    """State of a running capture: what is known now, and only that.

    Attributes:
        link: `waiting`, `up` or `lost`.
        link_what: who is connected, what the rig says is wrong with it (`rig_fault`), or how the
            link was lost; None before the first connection.
        rate_hz: samples a second over the last seconds.
        samples, samples_lost, lines_bad, restarts: grow only, since the capture began; a rig that
            was unplugged and comes back as another start restarted.
        lost_share: of the last minute's samples, how many were lost.
        sample_age_s: age of the newest sample when the snapshot was taken; None before the first.
        load_n, height_mm: newest values, the load with what rests on the spring while one is
            pressed; None where they are not known now: the newest usable sample is older than
            NOW_S, or the height's datum is lost.
        load_unknown: why there is no load; None where there is one, and before the first sample.
            A spring may be pressed then: phase is `unknown`.
        datum: why heights are unknown (`datum_lost`, `datum_doubted`); then there is no height, no
            curve, no turn, and no stroke counts until a datum is set or, in doubt, confirmed.
        gauge_awaited: whether a gauge for a datum is on its way between the faces.
        gauge_under: whether one that a datum was read on is still there.
        alarm: what cannot be right in the press now; strokes with a stop do not count.
        question: what a person must answer, with ACCEPT or TAKE_OUT; None: nothing.
        quill_low: that the quill stood below its stop, and was not seen there since: let it up.
        rating_n: the least of what cell and press may bear; None where the book does not say.
        free_length_mm: the height above which the spring is free, roughly: the set's, else where
            the quill touched it; None where neither is known.
        reach_height_mm: what every stroke must be pressed down to; None where nothing was said.
        closing: the spring of which one more press is awaited, which closes the set; None for none.
        closed: what a press that closes the set showed of scale and seat (`set_closed`,
            `closing_differs`), or that presses count which none bears out (`sets_not_closed`, with
            the `label` of the spring whose press would); None where there is nothing to close.
        strokes: how many count, to read springs.
        ends_in_s: when a set that is done ends by itself; None before.
        events: the last things that happened with their numbers, the latest last; numbers rise by
            one, so that a screen knows what is new to it.
        curve: the running stroke as (height_mm, load_n) pairs, thinned for a screen.
    """

    set_name: str
    source: str
    link: str = "waiting"
    link_what: Finding | None = None
    rate_hz: float = 0.0
    samples: int = 0
    samples_lost: int = 0
    lost_share: float = 0.0
    lines_bad: int = 0
    restarts: int = 0
    sample_age_s: float | None = None
    load_n: float | None = None
    height_mm: float | None = None
    load_unknown: Finding | None = None
    datum: Finding | None = None
    gauge_awaited: bool = False
    gauge_under: bool = False
    alarm: Finding | None = None
    question: Finding | None = None
    quill_low: Finding | None = None
    rating_n: float | None = None
    free_length_mm: float | None = None
    reach_height_mm: float | None = None
    phase: str = "idle"
    turn: Turn | None = None
    closing: str | None = None
    closed: Finding | None = None
    springs_done: int = 0
    springs: int = 0
    strokes: int = 0
    ends_in_s: float | None = None
    events: tuple[tuple[int, Event], ...] = ()
    curve: tuple[tuple[float, float], ...] = ()

    @property
    def stop(self) -> bool:
        """Whether the press must stop: let the quill up."""
        return self.alarm is not None and self.alarm.kind not in CARE_ONLY

    @property
    def label(self) -> str | None:
        """Whose turn it is; None when the set is done."""
        return None if self.turn is None else self.turn.label

    @property
    def depth_mm(self) -> float | None:
        """How far the spring is pressed; None where its free length is not known."""
        if self.height_mm is None or self.free_length_mm is None:
            return None
        return max(0.0, self.free_length_mm - self.height_mm)

    @property
    def newest_event(self) -> int:
        """The number of the last event; 0 before the first."""
        return self.events[-1][0] if self.events else 0

    def aged(self, by_s: float) -> Snapshot:
        """Return the snapshot as it is worth this much later: old numbers are not of now."""
        if self.sample_age_s is None:
            return self
        age_s = self.sample_age_s + by_s
        if age_s <= NOW_S:
            return replace(self, sample_age_s=age_s)
        unknown = self.load_unknown or Finding.of("no_sample", quiet_s=age_s, source=self.source)
        return replace(
            self,
            sample_age_s=age_s,
            load_n=None,
            height_mm=None,
            load_unknown=unknown,
            phase="unknown",
        )

    def after(self, event: Event) -> Snapshot:
        """Return the snapshot after one more thing has happened."""
        return replace(self, events=(*self.events, (self.newest_event + 1, event))[-EVENTS_KEPT:])

    def to_document(self) -> dict[str, Any]:
        """Return it as plain values for JSON."""
        found = ((name, getattr(self, name)) for name in _FINDINGS)
        return (
            asdict(self)
            | {name: None if what is None else what.to_document() for name, what in found}
            | {
                "turn": None if self.turn is None else asdict(self.turn),
                "events": [
                    {"event_number": number, "event": event.kind, **event.what.to_document()}
                    for number, event in self.events
                ],
            }
        )

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Snapshot:
        """Return the snapshot that to_document wrote, by another version perhaps.

        Unknown keys are left out, and so are a turn and events that this version cannot read.
        """
        known = set(cls.__struct_fields__)
        values = {key: value for key, value in document.items() if key in known}
        turn = values.get("turn")
        for name in _FINDINGS:
            what = values.get(name)
            values[name] = Finding.from_document(what) if isinstance(what, dict) else None
        values["turn"] = msgspec.convert(turn, Turn) if isinstance(turn, dict) else None
        values["events"] = tuple(
            _numbered_event(event) for event in values.get("events", ()) if isinstance(event, dict)
        )
        values["curve"] = tuple((float(h), float(n)) for h, n in values.get("curve", ()))
        return cls(**values)


def _numbered_event(document: Mapping[str, Any]) -> tuple[int, Event]:
    facts = dict(document)
    number, kind = int(facts.pop("event_number")), EventKind(facts.pop("event"))
    return number, Event(kind, Finding.from_document(facts))
