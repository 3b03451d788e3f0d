"""Reading the address of a rig on a Raspberry Pi's own pins: `pi:dout=5,sck=6,a=17,b=27`."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbench.capture.errors import CoilbenchError

EXAMPLE = "Write it like pi:dout=5,sck=6,a=17,b=27"
_SCHEME = "pi:"
_PINS = {"dout": 5, "sck": 6, "a": 17, "b": 27}  # as hardware/ draws them
_CHOICES = {"gain": (128, 64, 32), "sps": (80, 10)}  # the first is the default
_DEFAULT_UM = 5.0
_LONGEST_UM = 1000.0
# The header carries GPIO2 to GPIO27, and 0 and 1, which belong to the add-on board's memory.
_FIRST_PIN, _LAST_PIN = 2, 27


@dataclass(frozen=True)
class PiSetup:
    """What is wired to which pin.

    Attributes:
        dout: GPIO number of the HX711's data output; all pins by Broadcom's numbers.
        sck: of its clock input.
        a: of the scale's output A.
        b: of its output B; where A leads B, travel counts up, which is to be down.
        gain: 128 or 64 for the chip's channel A, 32 for channel B.
        sps: nominal samples a second, as the chip's RATE pin is strapped.
        um: nominal travel of a count, micrometres.
    """

    dout: int
    sck: int
    a: int
    b: int
    gain: int
    sps: int
    um: float


def parse_pi(url: str) -> PiSetup:
    """Read `pi:` and then perhaps `key=value,key=value`.

    | key | default | meaning |
    |---|---|---|
    | dout, sck | 5, 6 | the HX711's pins, GPIO numbers |
    | a, b | 17, 27 | the scale's outputs; change them over to turn its direction round |
    | gain | 128 | 128, 64 (channel A) or 32 (channel B) |
    | sps | 80 | 80 or 10, as the HX711's RATE pin is strapped |
    | um | 5 | micrometres of travel a count |

    Raises:
        CoilbenchError: a key or value that isn't one of these; it is named.
    """
    given = _split(url)
    pins = {key: _pin(url, key, given.get(key, str(pin))) for key, pin in _PINS.items()}
    for key, pin in pins.items():
        twin = next((other for other in pins if other != key and pins[other] == pin), None)
        if twin is not None:
            raise _wrong(url, f"{key} and {twin} are both on GPIO{pin}")
    gain, sps = (_choice(url, key, given.get(key)) for key in ("gain", "sps"))
    return PiSetup(**pins, gain=gain, sps=sps, um=_micrometres(url, given.get("um")))


def _split(url: str) -> dict[str, str]:
    given: dict[str, str] = {}
    for option in filter(None, url[len(_SCHEME) :].split(",")):
        key, equals, value = option.partition("=")
        if key not in (*_PINS, *_CHOICES, "um"):
            raise _wrong(url, f"there is no key {key!r}")
        if not equals or not value:
            raise _wrong(url, f"{key} has no value")
        if key in given:
            raise _wrong(url, f"{key} is given twice")
        given[key] = value
    return given


def _pin(url: str, key: str, value: str) -> int:
    if not (value.isascii() and value.isdigit() and _FIRST_PIN <= int(value) <= _LAST_PIN):
        raise _wrong(
            url, f"{key}={value} is no GPIO number of the header ({_FIRST_PIN} to {_LAST_PIN})"
        )
    return int(value)


def _choice(url: str, key: str, value: str | None) -> int:
    choices = _CHOICES[key]
    if value is None:
        return choices[0]
    chosen = next((choice for choice in choices if str(choice) == value), None)
    if chosen is None:
        raise _wrong(url, f"{key}={value} is none of {', '.join(map(str, choices))}")
    return chosen


def _micrometres(url: str, value: str | None) -> float:
    if value is None:
        return _DEFAULT_UM
    try:
        um = float(value)
    except ValueError:
        um = math.nan
    if not 0.0 < um <= _LONGEST_UM:
        raise _wrong(url, f"um={value} is no travel of a count in micrometres")
    return um


def _wrong(url: str, what: str) -> CoilbenchError:
    return CoilbenchError(what, where=url, mend=EXAMPLE)
