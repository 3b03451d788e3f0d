"""A build file that is not complete yet: written, changed key by key, checked as far as it goes.

Comments stay, whoever wrote them. What isn't known yet is a line that begins with `#?`, with an
example in place of the value: the reader of build files takes it for a comment. Pure.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.items import AoT, Array, InlineTable

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.capture.errors import CoilbenchError

Path = tuple[str, ...]
Value = str | int | float | list[str] | dict[str, str]
UNKNOWN = "#?"

_HEAD = """\
# What the cam card asks for, the heights in the head, the shims in the drawer, the sets to try.
# A line that begins with #? is not known yet, the value in it is an example: `coilbench begin`
# asks for it, or take the #? away and write yours. All keys: analysis/README.md.
"""
# Section: key, example, comment.
_SECTIONS: dict[str, tuple[tuple[str, str, str], ...]] = {
    "cam": (
        ("name", '"road grind"', "as on the card"),
        ("valve_lift", '"10.2 mm"', "at the valve; or lobe_lift, rocker_ratio and lash"),
        ("lobe_lift", '"6.8 mm"', "of the lobe alone"),
        ("rocker_ratio", "1.5", ""),
        ("lash", '"0.2 mm"', "at the valve, as the card gives it"),
        ("seat_load", '"34 kg"', "with the valve shut"),
        ("seat_tolerance", '"2 kg"', "either way; a percentage like 5% will do"),
        ("open_load", '"72 kg"', "at full lift"),
        ("open_tolerance", '"3 kg"', ""),
        ("max_rpm", "6200", "the engine's highest speed"),
    ),
    "head": (
        ("installed_height", '"39.0 mm"', "of the outer spring, valve shut"),
        ("valves", "12", "how many; or a table [head.valves] with a height for each"),
        ("height_u", '"0.2 mm"', "how well the heights are known, k = 2"),
        ("inner_offset", '"2.0 mm"', "the inner's height is the outer's less this"),
        ("max_seat_cut", '"0.6 mm"', "how deep a seat may be cut; 0 for not at all"),
    ),
    "springs": (
        ("outer", '["larch"]', "sets to try, by their names in the book"),
        ("inner", '["heron"]', "leave out for single springs"),
    ),
    "scale": (
        ("name", '"bathroom"', "that the springs are pressed on by hand"),
        ("step", '"0.1 kg"', "its smallest step"),
        ("tare", '"3.2 kg"', "what it shows with no spring pressed"),
        ("give", '"1.1 mm"', "quill's way on a solid block, touch to"),
        ("give_at", '"50 kg"', "this load"),
    ),
}
_OF_A_CARD = tuple(row for row in _SECTIONS["cam"] if row[0] not in ("name", "max_rpm"))
SIDES = ("intake", "exhaust")


def new_draft() -> str:
    """Return a build file in which nothing is known yet."""
    return _HEAD + "".join(f"\n{_section(name, rows)}" for name, rows in _SECTIONS.items())


def with_two_cards(text: str) -> str:
    """Return it with sections for intake and exhaust, in which nothing is known yet.

    What stands in [cam] holds for both until a section says otherwise; what is not known there is
    asked of the sections.
    """
    keys = "|".join(key for key, *_ in _OF_A_CARD)
    first, last = _span(text, ("cam",))
    lines = text.splitlines(keepends=True)
    kept = [one for one in lines[first:last] if not re.match(rf"#\? ({keys}) =", one)]
    cards = "".join(f"\n{_section(f'cam.{side}', _OF_A_CARD)}" for side in SIDES)
    return "".join([*lines[:first], *kept, *lines[last:]]).rstrip("\n") + "\n" + cards


def _section(name: str, rows: Sequence[tuple[str, str, str]]) -> str:
    lines = (_line(f"{UNKNOWN} {key} = {example}", comment) for key, example, comment in rows)
    return f"[{name}]\n" + "".join(lines)


def _line(words: str, comment: str) -> str:
    return f"{words:<36} # {comment}\n" if comment else f"{words}\n"


def known(text: str, *path: str) -> Any:
    """Return what stands at a path; None where nothing does."""
    found: Any = tomllib.loads(text)
    for key in path:
        found = found.get(key) if isinstance(found, dict) else None
    return found


def with_value(text: str, path: Path, value: Value) -> str:
    """Return it with a key set, every comment kept.

    A line that says the key isn't known becomes the key's own.
    """
    written = _written(text, path, value)
    if _reads(written) != _with_key(tomllib.loads(text), path, value):
        raise _by_hand(path)
    return written


def _by_hand(path: Path) -> CoilbenchError:
    return CoilbenchError(
        f"{'.'.join(path)} stands where it can't be changed from here",
        hint="Change it in the file by hand, then go on",
    )


def _written(text: str, path: Path, value: Value) -> str:
    *section, key = path
    if known(text, *path) is None:
        written = _uncommented(text, tuple(section), key, value)
        if written is not None:
            return written
    document = tomlkit.parse(_with_section(text, tuple(section)))
    table = _table(document, tuple(section))
    old = table.get(key)
    if isinstance(old, Array) and isinstance(value, list):
        _rewrite_list(old, value)
    else:
        table[key] = _inline(value)
    return tomlkit.dumps(document)


def _with_section(text: str, section: Path) -> str:
    """Return it with a heading for a section that isn't there, behind the one it belongs to."""
    if known(text, *section) is not None:
        return text
    lines = text.splitlines(keepends=True)
    _, last = _span(text, section[:-1]) if section[:-1] else (0, len(lines))
    heading = f"[{'.'.join(map(_key, section))}]\n"
    before = "".join(lines[:last] if last else lines).rstrip("\n")
    after = "".join(lines[last:] if last else [])
    tried = f"{before}\n\n{heading}" + (f"\n{after}" if after else "")
    return text if _reads(tried) is None else tried


def without(text: str, path: Path) -> str:
    """Return it with a key made unknown: its line is kept behind `#?`, its comment with it."""
    if known(text, *path) is None:
        return text
    first, last = _span(text, path[:-1])
    lines, wanted = text.splitlines(keepends=True), _without_key(tomllib.loads(text), path)
    for at in range(first, last):
        tried = "".join([*lines[:at], f"{UNKNOWN} {lines[at].lstrip()}", *lines[at + 1 :]])
        if _reads(tried) == wanted:
            return tried
    document = tomlkit.parse(text)  # it isn't a line of its own
    _table(document, path[:-1]).remove(path[-1])
    return tomlkit.dumps(document)


def without_line(text: str, section: Path, *keys: str) -> str:
    """Return it without the lines that say of some keys that they aren't known."""
    first, last = _span(text, section)
    gone = re.compile(rf"{re.escape(UNKNOWN)} ({'|'.join(keys)}) = ")
    lines = text.splitlines(keepends=True)
    return "".join(
        line for at, line in enumerate(lines) if not (first <= at < last and gone.match(line))
    )


def with_shims(text: str, thickness: str, same: int | None, count: int | None) -> str:
    """Return it with shims of one thickness: those of an index with another count, or new ones.

    Args:
        same: the index of [[shims]] of that thickness; None where there is none.
        count: None for as many as needed.
    """
    document = tomlkit.parse(text)
    listed = document.get("shims")
    if same is not None and listed is not None:
        if count is None:
            listed[same].pop("count", None)
        else:
            listed[same]["count"] = count
        return tomlkit.dumps(document)
    lines = f'\n[[shims]]\nthickness = "{thickness}"\n'
    lines += "" if count is None else f"count = {count}\n"
    if isinstance(listed, AoT) or listed is None:
        return text.rstrip("\n") + "\n" + lines
    listed.append({"thickness": thickness} | ({} if count is None else {"count": count}))
    return tomlkit.dumps(document)


def check_so_far(text: str, name: str) -> None:
    """Refuse a draft whose known values can't be, alone or together.

    The reader of build files does it, with values in place of the missing ones that contradict
    nothing.

    Raises:
        CoilbenchError: what is wrong; the line is left out where it may be another.
    """
    try:
        parse_build(text, name)
        return
    except CoilbenchError:
        if _reads(text) is None:
            raise
        filled = _filled(text)
    try:
        parse_build(filled, name)
    except CoilbenchError as error:
        where = (error.where or name).split(", ")
        error.where = ", ".join(part for part in where if not part.startswith("line "))
        raise


def _filled(text: str) -> str:
    document = tomlkit.parse(text)
    plain: dict[str, Any] = tomllib.loads(text)
    cam = _sub(plain, "cam")
    cards = [side for side in SIDES if side in cam]
    sections: list[Path] = [("cam", side) for side in cards] or [("cam",)]
    for where in sections:
        own = {**cam, **_sub(cam, where[1])} if cards else cam
        missing: dict[str, Any] = {"seat_load": "0.000001 N", "open_load": "999999 N"}
        if "lobe_lift" not in own:
            missing["valve_lift"] = "0.000001 mm"
        elif "rocker_ratio" not in own:
            missing["rocker_ratio"] = 1.0
        _fill(document, where, {k: v for k, v in missing.items() if k not in own})
    height = known(text, "head", "installed_height")
    head: dict[str, Any] = {} if height else {"installed_height": "900000 mm"}
    if cards:
        valves = _sub(_sub(plain, "head"), "valves")
        named = [one.get("cam") for one in valves.values() if isinstance(one, dict)]
        lacking = {f"a valve of {side}": {"cam": side} for side in cards if side not in named}
        if lacking:
            head["valves"] = {**valves, **lacking}
    _fill(document, ("head",), head)
    _fill(document, ("springs",), {} if known(text, "springs", "outer") else {"outer": ["x"]})
    return tomlkit.dumps(document)


def _sub(table: Mapping[str, Any], key: str) -> dict[str, Any]:
    found = table.get(key)
    return found if isinstance(found, dict) else {}


def _fill(document: TOMLDocument, section: Path, values: Mapping[str, Any]) -> None:
    if values:
        table = _table(document, section)
        for key, value in values.items():
            table[key] = value


def _table(document: TOMLDocument, section: Path) -> Any:
    """Return a section, made where there is none."""
    at: Any = document
    for name in section:
        if name not in at:
            at[name] = tomlkit.table()
        at = at[name]
        if not isinstance(at, dict):
            raise _by_hand(section)
    return at


def _inline(value: Value) -> Any:
    if not isinstance(value, dict):
        return value
    table: InlineTable = tomlkit.inline_table()
    table.update(value)
    return table


def _rewrite_list(old: Array, names: Sequence[str]) -> None:
    """Change a list name by name: comments inside it stay."""
    for name in [one for one in old if one not in names]:
        old.remove(name)
    for name in names:
        if name not in old:
            old.append(name)


def _uncommented(text: str, section: Path, key: str, value: Value) -> str | None:
    """Return it with the line that says a key isn't known made the key's own; None without one."""
    span = _span(text, section)
    lines = text.splitlines(keepends=True)
    marked = re.compile(rf"{re.escape(UNKNOWN)} ({re.escape(key)}|{re.escape(_quoted(key))}) = .*")
    for at in range(*span):
        if marked.match(lines[at]):
            item = tomlkit.item(_inline(value)).as_string()
            comment = _comment_of(lines[at])
            lines[at] = _line(f"{_key(key)} = {item}", comment)
            return "".join(lines)
    return None


def _comment_of(line: str) -> str:
    """Return the comment behind the value of a line that says a key isn't known."""
    found = tomlkit.parse(line.removeprefix(UNKNOWN).strip() + "\n")
    _, item = next((k, i) for k, i in found.body if k is not None)
    return str(item.trivia.comment).removeprefix("#").strip()


def _quoted(key: str) -> str:
    return tomlkit.item(key).as_string()


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _quoted(key)


def _span(text: str, section: Path) -> tuple[int, int]:
    """Return the first line of a section behind its heading, and one past its last line."""
    lines = text.splitlines()
    heads = [at for at, line in enumerate(lines) if re.match(r"\s*\[", line)]
    if not section:
        return 0, min(heads, default=len(lines))
    for at in heads:
        if _section_of(lines[at]) == section:
            return at + 1, next((other for other in heads if other > at), len(lines))
    return 0, 0


def _section_of(line: str) -> Path | None:
    """Return the section that a heading opens; None for a list's, and what is no heading."""
    table = _reads(line)
    path: list[str] = []
    while isinstance(table, dict) and len(table) == 1:
        (name, table), *_ = table.items()
        path.append(name)
    return tuple(path) if table == {} else None


def _reads(text: str) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return None


def _with_key(table: Mapping[str, Any], path: Path, value: Value) -> dict[str, Any]:
    key, *rest = path
    inner = _with_key(table.get(key, {}), tuple(rest), value) if rest else value
    return {**table, key: inner}


def _without_key(table: Mapping[str, Any], path: Path) -> dict[str, Any]:
    key, *rest = path
    changed = dict(table)
    if rest:
        changed[key] = _without_key(table[key], tuple(rest))
    else:
        del changed[key]
    return changed
