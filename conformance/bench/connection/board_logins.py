"""Who logs in for which board: a file of users and passwords that only its owner reads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from conformance.bench.connection.tls_files import require_private
from conformance.files.bounded import read_bounded
from protocol.toml_problems import MOST_BYTES, NotToml, parse_toml
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint

FIX = 'Write for each board: [NAME], then user = "..." and password = "..."'


def read_logins(path: Path) -> dict[str, tuple[str, str]]:
    """Name of a board to its user and password. Raises Trouble; no text holds a password."""
    where = str(path)
    try:
        require_private(path, "the login file")
        tables = parse_toml(read_bounded(path, MOST_BYTES + 1))
    except OSError as error:
        fix = "Check its name and its rights"
        raise Trouble(f"the login file cannot be read: {error.strerror}", where=where, fix=fix) from None
    except NotToml as error:
        # What the file says at that place is not told: it may be a password.
        raise Trouble(f"the login file is not TOML: {error.problem.where}", where=where, fix=FIX) from None
    return {name: _login(name, row, where) for name, row in tables.items()}


def _login(name: str, row: Any, where: str) -> tuple[str, str]:
    if not isinstance(row, dict) or set(row) != {"user", "password"}:
        raise Trouble(f"[{name}] needs user and password, and nothing else", where=where, fix=FIX)
    user, password = row["user"], row["password"]
    if not isinstance(user, str) or not isinstance(password, str) or not user:
        raise Trouble(f"user and password of [{name}] must be strings", where=where, fix=FIX)
    return user, password


def endpoint_of(board: str, bus: Endpoint, logins: Mapping[str, tuple[str, str]] | None) -> Endpoint:
    """Where and how a board connects: with its own login where there is a file of them. Raises Trouble without one."""
    if logins is None:
        return bus
    if board not in logins:
        raise Trouble(f"the login file has none for {board}", fix=FIX)
    user, password = logins[board]
    return replace(bus, user=user, password=password)
