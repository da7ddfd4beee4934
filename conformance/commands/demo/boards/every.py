"""Which nodes of the demo are boards, and of what kind: a line each."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from conformance.commands.demo.boards.avr_crane import AvrCrane
from conformance.commands.demo.boards.board import Board
from conformance.commands.demo.boards.micropython_berth import MicroPythonBerth
from conformance.commands.demo.yard import BERTH, BoardOf
from protocol.site import Site

Kind = Callable[..., Board]
ON_A_CABLE = "south"
BOARDS: dict[str, tuple[str, Kind]] = {
    ON_A_CABLE: ("the firmware in C, an ATmega328P in a simulator on a serial line", AvrCrane),
    BERTH: ("the firmware in MicroPython, on MQTT, at the simulated track", MicroPythonBerth),
}
"""Node to what plays it, in words, and its class, which takes site, name, broker, world, chance and a folder."""


def site_text_with_boards(text: str) -> str:
    """The site file where the board on a cable says what it speaks: CBOR both ways, in 128 bytes [SER-01]."""
    head, begin, rest = text.partition(f"[nodes.{ON_A_CABLE}]")
    part, crane, tail = rest.partition(f"[nodes.{ON_A_CABLE}.crane]")
    for old, new in (("reads", '"cbor"'), ("writes", '"cbor"'), ("buffer", "128")):
        part = re.sub(rf"(?m)^{old} = .*$", f"{old} = {new}", part)
    return head + begin + part + crane + tail


def boards_of(site: Site, folder: Path) -> dict[str, tuple[str, BoardOf]]:
    """Node to what plays it, in words, and what makes that. Raises Trouble where something is missing."""
    return {
        name: (is_what, _maker(site, name, kind, folder / name)) for name, (is_what, kind) in BOARDS.items()
    }


def _maker(site: Site, name: str, kind: Kind, folder: Path) -> BoardOf:
    return lambda endpoint, world, rng: kind(site, name, endpoint, world, rng, folder)
