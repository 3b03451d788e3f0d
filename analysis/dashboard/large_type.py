"""Large type that can be read from the press. Pure.

The letters, five dots high, were drawn for this program from the plain shapes of a dot matrix. A
terminal with block characters shows them in three sizes; plain ASCII in the largest alone.
"""

from __future__ import annotations

from collections.abc import Sequence

ROWS = 5
# Each an odd number of dots wide: with the one between letters, each begins a character.
_GLYPHS = {
    "0": " ### /#   #/#   #/#   #/ ### ",
    "1": " # /## / # / # /###",
    "2": "#### /    #/ ### /#    /#####",
    "3": "#### /    #/ ### /    #/#### ",
    "4": "#  # /#  # /#####/   # /   # ",
    "5": "#####/#    /#### /    #/#### ",
    "6": " ### /#    /#### /#   #/ ### ",
    "7": "#####/   # /  #  / #   / #   ",
    "8": " ### /#   #/ ### /#   #/ ### ",
    "9": " ### /#   #/ ####/    #/ ### ",
    "A": " ### /#   #/#####/#   #/#   #",
    "B": "#### /#   #/#### /#   #/#### ",
    "C": " ####/#    /#    /#    / ####",
    "D": "#### /#   #/#   #/#   #/#### ",
    "E": "#####/#    /#### /#    /#####",
    "F": "#####/#    /#### /#    /#    ",
    "G": " ####/#    /#  ##/#   #/ ####",
    "H": "#   #/#   #/#####/#   #/#   #",
    "I": "###/ # / # / # /###",
    "J": "  ###/    #/    #/#   #/ ### ",
    "K": "#  # /# #  /##   /# #  /#  # ",
    "L": "#    /#    /#    /#    /#####",
    "M": "#   #/## ##/# # #/#   #/#   #",
    "N": "#   #/##  #/# # #/#  ##/#   #",
    "O": " ### /#   #/#   #/#   #/ ### ",
    "P": "#### /#   #/#### /#    /#    ",
    "Q": " ### /#   #/# # #/#  # / ## #",
    "R": "#### /#   #/#### /#  # /#   #",
    "S": " ####/#    / ### /    #/#### ",
    "T": "#####/  #  /  #  /  #  /  #  ",
    "U": "#   #/#   #/#   #/#   #/ ### ",
    "V": "#   #/#   #/#   #/ # # /  #  ",
    "W": "#   #/#   #/# # #/## ##/#   #",
    "X": "#   #/ # # /  #  / # # /#   #",
    "Y": "#   #/ # # /  #  /  #  /  #  ",
    "Z": "#####/   # /  #  / #   /#####",
    "-": "   /   /###/   /   ",
    "+": "   / # /###/ # /   ",
    ".": "   /   /   /## /## ",
    ",": "   /   /   /## /#  ",
    ":": " /#/ /#/ ",
    "?": "#### /    #/  ## /     /  #  ",
    "_": "     /     /     /     /#####",
    " ": "   /   /   /   /   ",
}
_BLOCKS = " ▘▝▀▖▌▞▛▗▚▐▜▄▙▟█"  # by bits: 1 upper left, 2 upper right, 4 and 8 below
# From the largest type to the smallest: characters that draw one dot (across, and down), and dots
# across and down that one character holds.
_SIZES = ((2, 1, 1), (1, 1, 1), (1, 1, 2), (1, 2, 2))
_PLAIN = 2  # so many of these sizes need no block characters
_APART = 1  # lines between two rows of letters


def large(text: str, *, width: int, rows: int, ascii_only: bool) -> list[str] | None:
    """Return text in capitals, in the largest letters that fit width x rows characters.

    Words go on another row of letters where they don't fit on one. None where no size fits, or a
    character has no letter.
    """
    if not text.strip() or any(one.upper() not in _GLYPHS for one in text):
        return None
    for times, across, down in _SIZES[:_PLAIN] if ascii_only else _SIZES:
        lines = _lines(text.split(), width * across // times)
        high = -(-ROWS // down) * times
        if lines is None or len(lines) * (high + _APART) - _APART > rows:
            continue
        drawn = [
            _characters(_grown(_dots(line), times), across, down, ascii_only=ascii_only)
            for line in lines
        ]
        return [row for each in drawn for row in ("", *each)][_APART:]
    return None


def _lines(words: Sequence[str], width: int) -> list[str] | None:
    """Put words on lines of at most width dots; None where one is too long for any."""
    lines: list[str] = []
    for word in words:
        joined = f"{lines[-1]} {word}" if lines else word
        if _width(joined) <= width:
            lines[-1:] = [joined]
        elif _width(word) <= width:
            lines.append(word)
        else:
            return None
    return lines


def _width(text: str) -> int:
    return len(_dots(text)[0])


def _dots(text: str) -> list[str]:
    rows = [_GLYPHS[one.upper()].split("/") for one in text]
    return [" ".join(row[at] for row in rows) for at in range(ROWS)]


def _grown(dots: Sequence[str], times: int) -> list[str]:
    rows = ["".join(dot * times for dot in row) for row in dots]
    return [row for row in rows for _ in range(times)]


def _characters(dots: Sequence[str], across: int, down: int, *, ascii_only: bool) -> list[str]:
    if ascii_only:
        return list(dots)
    width = len(dots[0])

    def bits(x: int, y: int) -> int:
        whole = 0
        for bit in range(4):
            # where a character holds one dot across or down, that dot fills it
            at_x, at_y = x + (bit % 2) * (across - 1), y + (bit // 2) * (down - 1)
            if at_y < len(dots) and at_x < width and dots[at_y][at_x] == "#":
                whole |= 1 << bit
        return whole

    return [
        "".join(_BLOCKS[bits(x, y)] for x in range(0, width, across))
        for y in range(0, len(dots), down)
    ]
