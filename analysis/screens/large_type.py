"""Large type: a few words in letters five rows high, to be read from the press. Pure.

Drawn by hand for this program, from the plain shapes of a five-row dot matrix.
"""

from __future__ import annotations

ROWS = 5
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
    ".": "  /  /  /##/##",
    ",": "  /  /  /##/# ",
    ":": " /#/ /#/ ",
    "_": "    /    /    /    /####",
    " ": "  /  /  /  /  ",
}


def large(text: str, *, ascii_only: bool) -> list[str] | None:
    """Return text as five lines of block letters; None where a character has none.

    Args:
        text: letters of either case are drawn as capitals.
        ascii_only: the terminal has no block character.
    """
    glyphs = [_GLYPHS.get(one.upper()) for one in text]
    if not glyphs or None in glyphs:
        return None
    rows = [str(glyph).split("/") for glyph in glyphs]
    lines = [" ".join(row[at] for row in rows) for at in range(ROWS)]
    return lines if ascii_only else [line.replace("#", "█") for line in lines]
