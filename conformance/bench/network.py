"""Where the bench listens: on loopback, unless told otherwise in words; and what can go wrong with a port."""

from __future__ import annotations

import errno
import ipaddress

from protocol.trouble import Trouble


def is_loopback(host: str) -> bool:
    """Whether an address to bind can be reached from this machine alone."""
    try:
        return host == "localhost" or ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def require_loopback(host: str, *, open_to_network: bool) -> None:
    """Raise Trouble when `host` is not loopback and nobody said that the network may reach it."""
    if not open_to_network and not is_loopback(host):
        raise Trouble(
            "listening here would let the whole network in, and nobody asked for that",
            where=host or "all addresses",
            fix="Bind to 127.0.0.1, or add --open-to-network if that is meant",
        )


def listening_trouble(host: str, port: int, error: OSError) -> Trouble:
    """Say in words why a port could not be opened."""
    where = f"{host}:{port}"
    if error.errno == errno.EADDRINUSE:
        fix = "Choose another port, leave the choice to the program (port 0), or stop what uses it"
        return Trouble("the port is in use", where=where, fix=fix)
    if error.errno in (errno.EACCES, errno.EPERM):
        return Trouble("no permission to open this port", where=where, fix="Choose a port above 1023")
    # asyncio from 3.13 on says it in words alone.
    if error.errno == errno.EADDRNOTAVAIL or "could not bind on any address" in str(error):
        return Trouble("this machine has no such address", where=where, fix="Bind to an address it has")
    return Trouble(f"the port cannot be opened: {error.strerror or error}", where=where)
