"""What one node has to know of its layout: a C header made from the site file, one role a board."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace

from conformance.publish.artefacts.header import macro
from protocol.site import CraneSite, Encoding, NodeSite, PlaceKind, Site
from protocol.trouble import Trouble

FIRMWARE = "yw-c-1"
"""What a board says where the site file asks for no version."""
NONE = 0xFF
INT16_MOST, INT32_MOST = 2**15 - 1, 2**31 - 1
KINDS = {PlaceKind.STACK: "YW_STACK", PlaceKind.TRACK: "YW_TRACK", PlaceKind.DECK: "YW_DECK"}


def site_header(site: Site, name: str, *, buffer: int | None = None) -> str:
    """The text of yw_site.h for the node `name`. Raises Trouble for a node that the core cannot be.

    `buffer` is the receive buffer in bytes where it is not that of the site file.
    """
    node = site.nodes[name]
    node = node if buffer is None else replace(node, buffer=buffer)
    _check(node)
    return "\n".join([*_head(site, node), *_common(site, node), *_role(site, node), "#endif", ""])


def _check(node: NodeSite) -> None:
    if len(node.roles) != 1 or node.is_supervisor:
        raise Trouble(
            f"node {node.name!r} has the roles {', '.join(node.roles)}; the core in C plays one a board",
            fix="Give each machine a board of its own, or write its firmware from the documents",
        )


def _head(site: Site, node: NodeSite) -> Iterator[str]:
    yield f"/* Node {node.name!r} of the site {site.name!r}. Made from the site file by Yardwire; do not edit:"
    yield " * change the site file and make this file again, so that the digest stays true. */"
    if node.reads != "cbor" or node.writes.value != "cbor":
        said = f'reads = "{node.reads}" and writes = "{node.writes.value}"'
        yield f"/* CAUTION: the site file says {said}. Define YW_JSON in front of"
        yield " * this file, in each file of the board that includes it, or tell the compiler -DYW_JSON. Without it and"
        yield ' * on a cable, the core reads and writes CBOR alone: say reads = "cbor" and writes = "cbor" in the site'
        yield " * file then, and make this file again. */"
    yield "#ifndef YW_SITE_H\n#define YW_SITE_H\n"
    yield '#include "yw_site_types.h"\n'


def _common(site: Site, node: NodeSite) -> Iterator[str]:
    yield f'#define YW_SITE "{site.name}"'
    yield f'#define YW_NODE "{node.name}"'
    yield f"#define YW_ROLE {macro('role_is', node.roles[0])}"
    yield f"#define YW_DIGEST 0x{node.digest:08X}UL"
    yield f"#define YW_BUFFER {node.buffer}U"
    yield "/* Heeded where YW_JSON is defined. */"
    yield f"#define YW_READS {macro('node_status_reads', node.reads)}"
    yield f"#define YW_WRITES_JSON {int(node.writes is Encoding.JSON)}"
    yield f"#define YW_QOS {node.qos}"
    yield f"#define YW_KEEP_ALIVE_S {node.keep_alive_s}"
    yield f'#define YW_FIRMWARE "{node.firmware or FIRMWARE}"'
    yield ""


def _role(site: Site, node: NodeSite) -> Iterator[str]:
    if node.crane is not None:
        yield from _crane(site, node.crane)
    if node.berth is not None:
        berth = node.berth
        for word, value in (
            ("debounce_ms", berth.debounce_ms),
            ("approach_power", berth.approach_power),
            ("creep_power", berth.creep_power),
            ("run_way", berth.arming_to_end or 1600),
            ("window", berth.end_window or 140),
        ):
            yield f"#define {macro(word)} {value}"
        for word in ("arming_timeout_ms", "end_timeout_ms", "clear_ms"):
            yield f"#define {macro(word)} {getattr(berth, word)}L"
    if node.shuttle is not None:
        shuttle = node.shuttle
        yield f"#define YW_DEBOUNCE_MS {shuttle.debounce_ms}"
        yield f"#define YW_RUN_TIMEOUT_MS {shuttle.run_timeout_ms}L"
        yield f"#define YW_LOAD_SENSOR {int(shuttle.load_sensor)}"
        yield f"#define YW_STOPS {len(shuttle.stops)}"
        listed = ", ".join(f'"{stop}"' for stop in shuttle.stops)
        yield f"static const char yw_stops[YW_STOPS][YW_NAME_ROOM] YW_FLASH = {{{listed}}};"


def _check_figures(crane: CraneSite) -> None:
    """The core computes in 16 bits, and multiplies two of them."""
    fix = "Use a larger unit, or more measured points"
    for axis in crane.axes:
        if axis.most - axis.least > INT16_MOST:
            raise Trouble(f"axis {axis.name!r} is longer than {INT16_MOST} units", fix=fix)
    for name, place in crane.places.items():
        for (x0, y0), (x1, y1) in itertools.pairwise(place.table):
            if abs(y1 - y0) > INT16_MOST or (abs(y1 - y0) + 1) * (x1 - x0) > INT32_MOST:
                raise Trouble(f"the table of {name!r} takes too wide a step behind reading {x0}", fix=fix)
        shifts = [y for _, y in place.table] or [0]
        firsts = [slot[0] for slot in place.slots]
        ends = (min(shifts) + min(firsts), max(shifts) + max(firsts)) if firsts else (0, 0)
        if ends[0] < -INT16_MOST or ends[1] > INT16_MOST:
            raise Trouble(f"a slot of {name!r} is beyond {INT16_MOST} units", fix=fix)


def _crane(site: Site, crane: CraneSite) -> Iterator[str]:
    _check_figures(crane)
    yield f"#define YW_AXES {len(crane.axes)}"
    yield f"#define YW_LOAD_SENSOR {int(crane.load_sensor)}"
    yield f"#define YW_TRAVEL {crane.travel}"
    yield f"#define YW_JOB_TIMEOUT_MS {crane.job_timeout_ms}L"
    yield "static const struct yw_axis_site yw_axis_sites[YW_AXES] YW_FLASH = {"
    for axis in crane.axes:
        figures = (axis.least, axis.most, axis.home, axis.park, axis.speed, axis.acceleration)
        yield f'    {{"{axis.name}", {", ".join(map(str, figures))}}},'
    yield "};"
    rows: list[Sequence[int]] = []
    points: list[Sequence[int]] = []
    places = []
    for name, known in crane.places.items():
        track = f"{len(points)}, {len(known.table)}"
        places.append(
            f'    {{"{name}", {KINDS[site.places[name].kind]}, {len(rows)}, {len(known.slots)}, {track}}},'
        )
        rows += known.slots
        points += known.table
    if max(len(rows), len(points)) > NONE:
        raise Trouble(
            "the core has room for 255 slots of a crane", fix="Leave out slots that this crane does not use"
        )
    yield "/* Name, kind, first row and number of its slots, first row and number of the points of its table. */"
    yield f"#define YW_PLACES {len(places)}"
    yield from ("static const struct yw_place yw_places[YW_PLACES] YW_FLASH = {", *places, "};")
    yield from _rows("int16_t", "yw_slots", "YW_AXES", rows)
    yield from _rows("int16_t", "yw_points", "2", points or [(0, 0)])


def _rows(kind: str, name: str, wide: str, rows: Sequence[Sequence[int]]) -> Iterator[str]:
    yield f"static const {kind} {name}[{len(rows)}][{wide}] YW_FLASH = {{"
    yield from (f"    {{{', '.join(map(str, row))}}}," for row in rows)
    yield "};"
