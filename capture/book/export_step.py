"""One step of an export: a file or a set, and the command that brings it back. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class ExportStep:
    """What one line of an export's index stands for.

    Attributes:
        kind: what it is, in words.
        arguments: of `coilbench`, from inside the export's folder, to bring it into another book;
            empty where no command does (a stroke that doesn't count).
        path: the file, relative, with / between folders; None where there is none.
        data: the file's bytes; None where an earlier step has brought the same file.
        set_name, label: whose it is; empty for the rig's.
        stored_utc: when the book got it.
        status, purpose: of a stroke.
        counted: of a stroke: whether it counts.
        note: what the book notes of it.
    """

    kind: str
    arguments: tuple[str, ...] = ()
    path: str | None = None
    data: bytes | None = None
    set_name: str = ""
    label: str = ""
    stored_utc: str = ""
    status: str = ""
    purpose: str = ""
    counted: bool | None = None
    note: str = ""


@dataclass
class FileNames:
    """Hands out file names that every system takes, no two alike but for case."""

    _taken: set[str] = field(default_factory=set)

    def take(self, folder: str, stem: str) -> str:
        """Return a path in a folder that says the stem as far as a file's name can."""
        path = f"{plain(folder)}/{plain(stem)}"
        number, tried = 1, f"{path}.csv"
        while tried.casefold() in self._taken:
            number += 1
            tried = f"{path}_{number}.csv"
        self._taken.add(tried.casefold())
        return tried


def plain(name: str) -> str:
    """Return a name with letters, digits, dots, dashes and underscores only."""
    kept = "".join(sign if sign.isalnum() or sign in ".-_" else "_" for sign in name)
    return kept if kept.strip("._") else f"_{kept.strip('.')}"
