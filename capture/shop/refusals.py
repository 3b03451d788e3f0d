"""Why a server was not reached or let nobody in, in words, each with what mends it."""

from __future__ import annotations

import re
from collections.abc import Mapping

from coilbench.capture.book.rows import utc_now
from coilbench.capture.errors import CoilbenchError

_FROM_FILE = "~/.pgpass holds {line}:PASSWORD, readable by you alone (chmod 600)"
_LINE = {"host": "SERVER", "port": "5432", "dbname": "DATABASE", "user": "ROLE"}  # where not given
_CERTIFICATE = "Copy the shop's shop.crt to ~/.postgresql/root.crt, as in capture/SHOP.md"
# What the message has in it, what is said, the hint. The first that fits.
_KNOWN = (
    ("no password supplied", "it asks for a password, and none was found", _FROM_FILE),
    (
        "password authentication failed",
        "it refuses the password of this role, or has no such role",
        f"Mend it there: {_FROM_FILE}",
    ),
    (
        r"role .* does not exist",
        "it has no such role",
        "Check the name before the @ of the address; its administrator makes one: CREATE ROLE",
    ),
    (
        r"database .* does not exist",
        "it has no such database",
        "Check the name after the last / of the address; its administrator makes one: createdb",
    ),
    (
        "not permitted to log in",
        "this role may no longer log in",
        "Its administrator lets it in again: ALTER ROLE ... LOGIN",
    ),
    (
        r'no pg_hba.conf entry.*user "(?P<role>.*?)", database "(?P<database>.*?)"',
        "it lets no {role} into {database} from here",
        "Check both names in the address. If they are right: its administrator looks whether the "
        "role is in coilbench_bench or coilbench_reader, and whether pg_hba.conf has a line for "
        "this network, as in capture/SHOP.md",
    ),
    (r"root certificate file", "there is no certificate to know it by", _CERTIFICATE),
    (
        "certificate verify failed",
        "its certificate is not the shop's, or is not valid at what this machine's clock says, "
        "{now} UTC",
        f"Is the clock right? Is it the shop's server? {_CERTIFICATE}",
    ),
    (
        "does not match host name",
        "its certificate is of another name",
        "Call it in the address by the name that its certificate has",
    ),
    ("does not support SSL", "it has no certificate", "Its administrator turns ssl on"),
    (
        r"could not translate host name|Name or service not known|resolution",
        "no machine of this name was found",
        "Check the address; else give its number in /etc/hosts, like 192.168.1.10 shop.local",
    ),
    ("Connection refused", "nothing answers there", "Is PostgreSQL running, and listening?"),
    ("timeout expired|timed out", "it did not answer in time", "Is it on, and on this network?"),
)
_UNTOUCHED = "The book is as it was; captures go on without the store"


def not_reached(message: str, asked: Mapping[str, object] = _LINE) -> CoilbenchError:
    """Return what to say of a connection that failed, by the message of PostgreSQL's library.

    Args:
        message: the library's.
        asked: what the address has, as the library calls it.
    """
    line = ":".join(str(asked.get(part) or unknown) for part, unknown in _LINE.items())
    for pattern, what, hint in _KNOWN:
        if found := re.search(pattern, message):
            why = what.format(now=utc_now()[:16].replace("T", " "), **found.groupdict())
            hint = hint.replace("{line}", line)
            stop = "" if hint.endswith("?") else "."
            return CoilbenchError(
                f"the store can't be reached: {why}", hint=f"{hint}{stop} {_UNTOUCHED}"
            )
    return CoilbenchError(f"the store can't be reached ({message})", hint=_UNTOUCHED)


def lost(message: str, doing: str) -> CoilbenchError:
    """Return what to say of a store that was lost while it was read or added to."""
    if "pushes_pkey" in message:
        return CoilbenchError(
            "another machine shares a copy of this book at this moment, as the same bench",
            hint="Run the same again: from then on they count as two benches. Nothing was lost",
        )
    return CoilbenchError(
        f"the store was lost while it was {doing} ({message})",
        hint="What came before is whole; run the same again",
    )


def rested_on(message: str) -> CoilbenchError:
    """Return what to say where other views keep ours from being made anew."""
    return CoilbenchError(
        f"views of your own rest on some that change ({message}); nothing was changed",
        hint="Drop those that it names, run the same again, and make them again",
    )


def locked() -> CoilbenchError:
    """Return what to say of a store to which another bench adds something without an end."""
    return CoilbenchError(
        "another bench is adding to the store and does not end",
        hint="Run the same again; if it stays so, its administrator looks for who holds it: "
        "SELECT usename, state FROM pg_stat_activity",
    )
