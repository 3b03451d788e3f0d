"""Text from files, books and devices, written so that it can only be read as text. Pure.

A terminal takes some characters for orders, and some others hide or turn round what stands beside
them (Unicode Technical Report 36, "Bidirectional Text Spoofing"). Each is written as JSON would
write it, so that in a JSON document the value stays the same.
"""

from __future__ import annotations

import re
import shlex
import sys
from unicodedata import category

# Unicode's general categories: controls, formats (bidirectional ones among them), halves of a pair
# (bytes of a file's name that are no text), and ends of lines and paragraphs.
_ORDERS = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
_ASCII = {"±": "+/-", "…": "...", "→": "->", "×": "x", "·": ".", "–": "-", "—": "-", "µ": "u",
          "°": " deg", "≤": "<=", "≥": ">=", "²": "^2", "’": "'"}  # fmt: skip


def _is_order(character: str) -> bool:
    return category(character) in _ORDERS


def is_plain(text: str) -> bool:
    """Tell whether a text is one line that holds nothing but what can be seen."""
    return text.isprintable() or not any(map(_is_order, text))


def plain(text: str) -> str:
    """Return a text with all but its line ends made visible."""
    if text.isprintable():
        return text
    return "".join(_escape(each) if each != "\n" and _is_order(each) else each for each in text)


def plain_line(text: str) -> str:
    """Return a text with its line ends made visible too."""
    return plain(text).replace("\n", r"\u000a")


def writable(text: str, encoding: str) -> str:
    """Return a text that an encoding can write: other characters as near ones, else escaped.

    In a JSON document all are escaped: it holds the same values still.
    """
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        near = {} if text.startswith(("{", "[")) else _ASCII
        return "".join(_near(each, encoding, near) for each in text)
    return text


def _near(character: str, encoding: str, near: dict[str, str]) -> str:
    try:
        character.encode(encoding)
    except UnicodeEncodeError:
        return near.get(character) or _escape(character)
    return character


def _escape(character: str) -> str:
    units = character.encode("utf-16-be", "surrogatepass")
    pairs = (units[at : at + 2].hex() for at in range(0, len(units), 2))
    return "".join(rf"\u{pair}" for pair in pairs)


def as_typed(word: object, platform: str = sys.platform) -> str:
    """Return a name or a file as a shell takes it for one word, for a command to be copied."""
    return _for_windows(str(word)) if platform == "win32" else shlex.quote(str(word))


def _for_windows(text: str) -> str:
    bare = re.fullmatch(r"[\w@+=:.,/\\-]+", text)
    return text if bare else '"' + text.replace('"', '""') + '"'
