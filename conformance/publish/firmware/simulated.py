"""A node of a site as a board in the simulator: the core in C built for it, and power on."""

from __future__ import annotations

from pathlib import Path

from conformance.bench.processes.avr_board import AvrBoard, build_image, build_simulator, crane_words
from conformance.publish.firmware.site_header import site_header
from protocol.site import Site
from protocol.trouble import Trouble


def start_avr_board(
    core: Path, site: Site, name: str, folder: Path, *, bench: bool = False, seed: int = 1
) -> AvrBoard:
    """Build the image of a crane or berth, put it into the simulator with its machine at the pins, and switch it on.

    `core` is `reference_node/firmware/c`; `folder` takes what is built, a few seconds' work. The board's line is its
    `port`, at 115,200 baud: give it to a gateway (`Gateway`, `yardwire link PORT`) and end the board with `end()`, or
    take it as a context manager. The site file has to say reads = "cbor", writes = "cbor" of the node. In service, its
    crane stands at a quarter of each axis, and its spreader finds a box wherever it closes low. Raises Trouble, which
    names the packages to install where a compiler or simavr is missing.
    """
    role = site.nodes[name].roles[0]
    if role not in ("crane", "berth"):
        raise Trouble(f"{name!r} is a {role}, and no machine of its kind is simulated at the pins of a chip")
    image = build_image(core, folder, role, site_header(site, name))
    machine = crane_words(site.nodes[name]) if role == "crane" else [role]
    board = AvrBoard(build_simulator(core, folder), image, machine, seed=seed)
    return board.on_bench() if bench else board
