"""The build file while `coilbench begin` asks for it: checked and written at every answer.

A set needs its springs' number to be in the book. Until then what was answered of it waits in a
line of the file behind `#?`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import get_args

import tomlkit

from coilbench.analysis.cli.asking import Reply, ask
from coilbench.analysis.cli.begin_sets import sizes_named
from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.files_out import refuse_existing, write_whole
from coilbench.analysis.cli.questions import HEAD, Question
from coilbench.analysis.inputs import build_draft
from coilbench.analysis.inputs.build_draft import UNKNOWN, Value, check_so_far, known
from coilbench.analysis.inputs.build_input import read_text
from coilbench.capture.book.sets import Role
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.dimensions import refuse_installed
from coilbench.capture.units import parse_length_mm

_ROLES = ("", *get_args(Role))
_BEGINS = f"{UNKNOWN} set = "


class Draft:
    """The build file as far as it goes; every change is checked and written at once."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self._seen, self._there = path, text, path.exists()

    @property
    def text(self) -> str:
        """As it stands in the file: the person may have it open in an editor, too.

        Raises:
            CoilbenchError: what was changed meanwhile can't be.
        """
        if self._there and self.path.exists():
            found = read_text(self.path)
            if found != self._seen:
                check_so_far(found, self.path.name)
                self._seen = found
        return self._seen

    def known(self, *path: str) -> object:
        """Return what stands at a path of keys, or None."""
        return known(self.text, *path)

    def keep(self, text: str) -> None:
        """Write the file, where it changed; it must have been checked."""
        if text == self._seen and self._there:
            return
        refuse_existing(self.path, force=self._there)
        write_whole(self.path, text)
        self._seen, self._there = text, True

    @property
    def pending(self) -> dict[str, str]:
        """The roles of the sets that can't be registered yet, by their names."""
        return pending_sets(self.text)

    def keep_pending(self, name: str, role: str | None) -> None:
        """Keep the role of a set that can't be registered yet; None: it was, or is given up."""
        self.keep(with_pending_set(self.text, name, role))

    def changed(self, change: Callable[[str], str]) -> str:
        """Return it changed.

        Raises:
            CoilbenchError: it can't be, as the build file's reader says.
        """
        text = change(self.text)
        try:
            check_so_far(text, self.path.name)
        except CoilbenchError as error:
            error.where = None  # the question is the place
            raise
        return text

    def put(self, question: Question, section: Sequence[str] = (), who: str = "") -> None:
        """Ask for one key and keep the answer.

        Args:
            section: where the key stands, its own section where empty.
            who: whose it is, before the question.
        """
        path = (*(section or question.section), question.key)
        own = self.known(*path)
        present = self.known("cam", question.key) if own is None and section else own

        def read(text: str, *, sure: bool = False) -> str:
            value = question.value_of(text, units())
            kept = self.changed(lambda old: _put_in(old, path, value, question.instead))
            if not sure:
                self.refuse_unlikely(question, value)
            return kept

        words = f"{who}{question.words(units())}"
        shown = None if present is None else str(present)
        answer = ask(words, read, shown, sure=partial(read, sure=True))
        if isinstance(answer, str):
            self.keep(answer)
        elif answer is Reply.UNKNOWN:
            self.keep(build_draft.without(self.text, path))

    def refuse_unlikely(self, question: Question, value: object) -> None:
        """Ask about a length that looks like a slip, beside the springs that are to be tried.

        Raises:
            Doubtful: it does.
        """
        question.refuse_unlikely(value)
        if question is HEAD["installed_height"]:
            refuse_installed(
                parse_length_mm(str(value)), sizes_named(self.known("springs", "outer"))
            )


def _put_in(text: str, path: tuple[str, ...], value: Value, instead: Sequence[str]) -> str:
    for key in instead:
        text = build_draft.without(text, (*path[:-1], key))
    text = build_draft.with_value(text, path, value)
    return build_draft.without_line(text, path[:-1], *instead) if instead else text


def pending_sets(text: str) -> dict[str, str]:
    """Return the role of each such set by its name; empty where that isn't known either."""
    found = (_read(line) for line in text.splitlines() if line.startswith(_BEGINS))
    return {one["name"]: one["role"] for one in found if one is not None}


def _read(line: str) -> dict[str, str] | None:
    with suppress(tomllib.TOMLDecodeError, AttributeError):
        given = tomllib.loads(line.removeprefix(UNKNOWN))["set"]
        if isinstance(given.get("name"), str) and given.get("role") in _ROLES:
            return {"name": given["name"], "role": given["role"]}
    return None


def with_pending_set(text: str, name: str, role: str | None) -> str:
    """Return it with what is known of a set that waits; None as its role: it waits no more."""
    lines = text.splitlines(keepends=True)
    kept = [
        line
        for line in lines
        if not (line.startswith(_BEGINS) and (_read(line) or {}).get("name") == name)
    ]
    if role is not None:
        table = tomlkit.inline_table()
        table.update({"name": name, "role": role})
        first = next((at for at, line in enumerate(kept) if line.startswith("[")), len(kept))
        kept.insert(first, f"{_BEGINS}{table.as_string()}  # not in the book yet\n")
    return "".join(kept)
