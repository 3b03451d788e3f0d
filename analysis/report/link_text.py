"""The sentence of each finding about the link to the rig, and about the other windows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from coilbench.analysis.report.document import filled
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.sources.losses import LinkError

if TYPE_CHECKING:
    from coilbench.capture.running.commands import ClosedBy

CLOSED: dict[ClosedBy, str] = {
    "no_sockets": "this system has no sockets of that kind",
    "not_opened": "{path} can't be opened: {system}",
    "folder_not_made": "the folder {path} can't be made: {system}",
    "folder_no_folder": "{path} is a file or a link, where a folder belongs: remove it",
    "folder_of_another": "{path} is another user's: have it removed, or set TMPDIR to a folder of"
    " your own",
    "folder_shared": "the folder {path} is not this user's alone: remove it, or chmod 700",
}


def _control_closed(facts: Mapping[str, Any], units: Units) -> str:
    why = filled(CLOSED[facts["cause"]], facts, units)
    return f"other windows can watch but not give commands ({why})"


def _link_lost(facts: Mapping[str, Any], _units: Units) -> str:
    """What the error says that the cause is the data of; no number of before: it is not of now."""
    return f"{LinkError.of(Finding.from_document(facts['cause']))} Trying again."


def _no_sample(facts: Mapping[str, Any], _units: Units) -> str:
    return (
        f"no sample for {facts['quiet_s']:.1f} s on {facts['source']}. "
        "Check the cable, then: coilbench rig find"
    )


LINK_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "control_closed": _control_closed,
    "link_lost": _link_lost,
    "no_sample": _no_sample,
}
