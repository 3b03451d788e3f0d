"""The fault table: each row names a test, and every test named is there."""

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROW = re.compile(r"\| .* \| .* \| .*`tests/.*\|")
NAMED = re.compile(r"(tests/[a-z_/]+\.py)(?:::(test_[a-z0-9_]+))?")


def table():
    text = (Path(__file__).parent / "README.md").read_text("utf-8")
    _, _, after = text.partition("| fault | what happens | test |\n|---|---|---|\n")
    return after.partition("\n\n")[0].splitlines()


def test_every_row_of_the_fault_table_names_a_test():
    rows = table()
    assert len(rows) >= 20
    assert [row for row in rows if not ROW.fullmatch(row)] == []


def test_every_test_of_the_fault_table_is_there():
    named = {match.groups() for row in table() for match in NAMED.finditer(row)}
    missing = [
        (path, name)
        for path, name in named
        if not (ROOT / path).is_file()
        or (name is not None and f"def {name}(" not in (ROOT / path).read_text("utf-8"))
    ]
    assert missing == []
