"""Waiting for a board to come to the tap, and what to check where it does not."""

from __future__ import annotations

import time
from collections.abc import Callable

from conformance.bench.tap.tap import Tap
from conformance.suite.line import Line
from protocol.specification import specification
from protocol.trouble import Trouble

WAIT_S = 30.0
LOOK_S = 0.1
SAID_EVERY_S = 5.0
"""How often a line is written where none can be written over: a file, a build server."""
CHECK = (
    "Is it on, has it the network, and was it given the address and port that are said above?"
    " A board needs --bind with this machine's address in its network"
)
CHECK_LINE = (
    "Is the board on, with its TX on our RX, at the rate that the site and this command name (--baud),"
    " and does it say the names of site and node that are in the site file?"
)

FIX_PROGRAM = "Start it by hand ('yardwire node') to see what it says"


def wait_for_node(
    tap: Tap,
    node: str,
    tell: Callable[[str], object],
    *,
    slow: float = 1.0,
    failure: Callable[[], str] = str,
) -> None:
    """Wait until NODE has connected to the tap; `tell` gets the count of the seconds at every look, and `failure` says
    how a program that the kit has started for it has ended.

    Raises Trouble where it does not come: nothing can be said of it then, not even that it fails.
    """
    limit = WAIT_S * slow
    began = time.monotonic()
    while not tap.wait_for(lambda _packet: True, LOOK_S):
        waited = time.monotonic() - began
        ended = failure()
        if ended:
            raise Trouble(f"{node} did not connect: {ended}", fix=FIX_PROGRAM)
        if waited >= limit:
            _require_likely(tap, node, limit)
            return
        came = _came(tap) if tap.line is None else _on_the_line(tap.line)
        where = f"at {tap.host}, port {tap.port}" if tap.line is None else f"on {tap.line.port}"
        line = f"waiting for {node} {where}: {waited:.0f} of {limit:.0f} s"
        tell(f"{line}; {came}" if came else line)


def seldom(tell: Callable[[str], object]) -> Callable[[str], None]:
    """Tells only what comes SAID_EVERY_S or more after what was told before it."""
    last = time.monotonic()

    def tell_at_times(line: str) -> None:
        nonlocal last
        if time.monotonic() - last >= SAID_EVERY_S:
            last = time.monotonic()
            tell(line)

    return tell_at_times


def _require_likely(tap: Tap, node: str, limit: float) -> None:
    """Take the one client that may be the node for it. Raises Trouble where there is none."""
    if tap.settle_for_best():
        return
    where = f"{tap.host}:{tap.port}"
    if not tap.connections and tap.line is not None:
        came = _on_the_line(tap.line)
        raise Trouble(
            f"{node} was not heard within {limit:.0f} s: {came}", where=tap.line.port, fix=CHECK_LINE
        )
    if not tap.connections:
        raise Trouble(f"nothing connected within {limit:.0f} s", where=where, fix=CHECK)
    _require_own_name(tap, node, where)
    came = _came(tap) or f"{len(tap.connections)} connections spoke no MQTT"
    raise Trouble(
        f"{node} did not connect within {limit:.0f} s: {came}",
        where=where,
        fix="A node is known by its will, its subscription to its job-order topic and its messages: "
        "does the board use the names of site and node that are in the site file?",
    )


def _require_own_name(tap: Tap, node: str, where: str) -> None:
    """Raise Trouble where a board came that says by its topics that it is another one."""
    signature = tap.signature
    for client, topic in tap.claims().items():
        root, site, name, *_ = [*topic.split("/"), "", "", ""]
        wanted = specification().root
        if signature is None or not site or not name:
            continue
        told = f"{node} did not connect; a board came (client identifier {client!r}) that"
        if root != wanted and root.startswith("yw"):
            raise Trouble(
                f"{told} speaks protocol {root!r}, and this kit judges {wanted!r}",
                where=where,
                fix=f"Take the kit for {root!r}, or write the firmware for {wanted!r}: every topic begins with it",
            )
        if root == wanted and site != signature.site:
            raise Trouble(
                f"{told} belongs to the site {site!r}, and {signature.site!r} was asked for",
                where=where,
                fix="Name the site file of that site, or give the board this site's name",
            )
        if root == wanted and name != node:
            raise Trouble(
                f"{told} calls itself {name!r}, and {node!r} was asked for",
                where=where,
                fix=f"Judge it as {name!r} ('yardwire conform {name} ...'), or give the board the name {node!r}",
            )


def _on_the_line(line: Line) -> str:
    """What a serial line has brought that is no connection, in a few words."""
    if line.trouble:
        return f"the port is not there: {line.trouble}"
    log = line.log
    if not log.octets:
        return "nothing came over the line"
    here = next((one.here for one in reversed(log.frames) if one.from_node and one.here is not None), None)
    if here is not None and here.wants:
        return f"a board there calls itself {here.site + '/' + here.name!a}"
    whole = sum(one.from_node and one.frame is not None for one in log.frames)
    return (
        f"{log.octets:,} bytes came, with {whole:,} whole frames among them, and none asked for a connection"
    )


def _came(tap: Tap) -> str:
    """Who else is there, in a few words."""
    others = tap.strangers()
    if not others:
        return ""
    names = ", ".join(ascii(name) for name in list(others)[:3])
    return f"{len(others)} other client{'s' * (len(others) > 1)} came ({names})"
