"""Why a source gives no samples, or none any more: each cause by kind, with its error's words."""

from __future__ import annotations

from typing import Any, Literal, Self

from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError

LossKind = Literal[
    "port_gone", "port_unplugged", "port_takes_nothing", "port_busy", "no_such_port",
    "port_forbidden", "no_serial_port", "nothing_answers", "port_refused",
    "pins_busy", "no_pins", "pins_forbidden", "pins_by_board", "pins_refused", "pi_too_slow",
    "source_closed", "rig_silent", "no_byte", "no_good_line", "nothing_readable",
    "no_hello", "no_hello_by_end", "other_protocol",
    "unforeseen",
]  # fmt: skip

_CABLE = "Check the cable and the rig's power, then: coilbench rig find"
_SEE_PORTS = "See the ports there are with: coilbench rig find"
_WORDS: dict[LossKind, tuple[str, str | None]] = {
    "port_gone": ("the port is gone ({system})", _CABLE),
    "port_unplugged": ("the port is gone (unplugged, or closed at the other end)", _CABLE),
    "port_takes_nothing": ("the port took no bytes for {waited_s:g} s", _CABLE),
    "port_busy": ("another program has this port open", "Close it (a serial monitor?)"),
    "no_such_port": ("there is no such port", "Plug the rig in, then: coilbench rig find"),
    "port_forbidden": (
        "no permission to open this port",
        "On Linux: sudo usermod -aG dialout $USER, then log in again (or a udev rule);"
        " on Windows close the program that has it",
    ),
    "no_serial_port": ("this is not a serial port, or it doesn't take this baud rate", _SEE_PORTS),
    "nothing_answers": (
        "nothing answers at this address",
        "Start what serves it, or correct the port",
    ),
    "port_refused": ("the port can't be opened ({system})", _SEE_PORTS),
    "pins_busy": (
        "another program holds one of these pins",
        "Close it, or see who it is with: gpioinfo",
    ),
    "no_pins": ("there are no pins on this computer", "Use a rig on USB: coilbench rig find"),
    "pins_forbidden": (
        "no permission to use the pins",
        "sudo usermod -aG gpio {user}, then log in again",
    ),
    "pins_by_board": (
        "the pins are in use by other code of this program, by board numbers",
        "Use GPIO numbers (BCM) there",
    ),
    "pins_refused": ("the pins can't be used ({system})", "Check the wiring and the pins' numbers"),
    "pi_too_slow": (
        "clock pulses longer than 60 us in {words} words in a row: this computer is too busy or"
        " too slow for the HX711",
        "Stop other programs on it, or use a rig on USB",
    ),
    "source_closed": ("the source is closed", None),
    "rig_silent": ("the rig has said nothing for {silent_s:.1f} s", _CABLE),
    "no_byte": (
        "silent: not one byte in {waited_s:.3g} s",
        "Check the cable and the rig's power, then see the ports with: coilbench rig find",
    ),
    "no_good_line": (
        "{bytes} bytes in {waited_s:.3g} s, but not one good line: another device, or the wrong"
        " baud rate",
        "Put the rig's rate at the end of the address, like ?baud=250000",
    ),
    "nothing_readable": (
        "not our rig: nothing readable in {kib} KiB",
        "Check which port the rig is on: coilbench rig find; or put its rate at the end of the"
        " address, like ?baud=250000",
    ),
    "no_hello": (
        "good lines ({samples} samples), but no hello in {waited_s:.3g} s",
        "Check the wire to the rig's receive pin, or press its reset button",
    ),
    "no_hello_by_end": (
        "{bytes} bytes, {samples} samples, but no hello by its end",
        "Use a recording that holds the rig's hello",
    ),
    "other_protocol": (
        "the rig ({firmware}) speaks version {protocol} of the wire protocol, this program version"
        " {own_protocol}",
        "Flash the firmware that came with this program, or install the other's program",
    ),
    "unforeseen": ("{said}", None),
}


class LinkError(CoilbenchError):
    """No samples come from a source: the cause and its facts, as data too."""

    def __init__(self, kind: LossKind, *, where: str | None = None, **facts: Any) -> None:
        what, hint = _WORDS[kind]
        super().__init__(what, where=where, hint=hint, **facts)
        self.finding = Finding(kind, {"where": where, **facts})

    @classmethod
    def of(cls, finding: Finding) -> Self:
        """Return the error of a finding: its message is the finding's sentence."""
        kind: Any = finding.kind
        return cls(kind, **finding.facts)

    def at(self, url: str) -> Self:
        """Return the same error, met at another address."""
        return self.of(Finding(self.finding.kind, {**self.finding.facts, "where": url}))


class SourceLost(LinkError):
    """The device went away (unplugged, closed, refused); opening it again may work."""


def cause_of(loss: CoilbenchError) -> Finding:
    """Return why a link was lost, as data; an error that has no kind brings its words along."""
    if isinstance(loss, LinkError):
        return loss.finding
    return Finding.of("unforeseen", where=loss.where, said=loss.what)
