"""The address of a store: what it may have in it, since the book keeps it and messages show it."""

from __future__ import annotations

from typing import Any

from coilbench.capture.errors import CoilbenchError

_INSTALL = "pip install '.[shop]'"
_SECRETS = ("password", "sslpassword")
# What an address may have. No list of what it may not: a later libpq knows more secrets.
_PARTS = {
    *("host", "hostaddr", "port", "dbname", "user", "service", "passfile", "connect_timeout"),
    *("sslmode", "sslrootcert", "sslcert", "sslkey", "sslcrl", "sslcrldir", "sslcertmode"),
    *("sslnegotiation", "sslsni", "ssl_min_protocol_version", "ssl_max_protocol_version"),
    *("channel_binding", "require_auth", "requirepeer", "krbsrvname", "gsslib", "gssencmode"),
    *("keepalives", "keepalives_idle", "keepalives_interval", "keepalives_count"),
    *("tcp_user_timeout", "target_session_attrs", "application_name"),
}


def safe_address(address: str) -> str:
    """Return an address as it may be kept and shown.

    Raises:
        CoilbenchError: it can't be read, has a password in it, or asks for less than a server whose
            name was verified.
    """
    psycopg = load_psycopg()
    try:
        parts = psycopg.conninfo.conninfo_to_dict(address)
        inner = set("=/@") & set(str(parts.get("dbname", "")))  # an address in an address
        if not parts or inner:
            raise psycopg.ProgrammingError
    except psycopg.Error:
        # its words may repeat what was typed, a password with it
        raise CoilbenchError(
            "this is no address of a PostgreSQL server",
            hint="Give postgresql://user@host/database, or service=NAME",
        ) from None
    if any(parts.get(secret) for secret in _SECRETS):
        raise CoilbenchError(
            "an address must not have a password in it: other programs of this machine can see it",
            hint="Put it in ~/.pgpass, readable by you alone (chmod 600)",
        )
    strange = sorted(name for name in parts if name not in _PARTS)
    if strange:
        raise CoilbenchError(
            f"an address must not have {strange[0]} in it: the book would keep it",
            hint="Give host, port, user and database, sslrootcert=FILE where it is needed; or all "
            "of it in a service file: service=NAME",
        )
    weak = parts.get("sslmode", "verify-full")
    if weak != "verify-full":
        raise CoilbenchError(
            f"sslmode={weak} would trust any server that answers",
            hint="Leave it out: verify-full is asked for, with sslrootcert=FILE for the shop's own "
            "certificate",
        )
    return address


def load_psycopg() -> Any:
    """Return psycopg, an extra that is loaded when a store is reached.

    Raises:
        CoilbenchError: it is not installed.
    """
    try:
        import psycopg
        import psycopg.conninfo
    except ImportError as error:
        raise CoilbenchError(
            "sharing needs psycopg, which is not installed", hint=_INSTALL
        ) from error
    return psycopg
