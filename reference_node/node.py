"""A reference node on the wire: a controller behind an MQTT client or on a serial line, with a real clock."""

from __future__ import annotations

import random

from protocol.site import Encoding, Site
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import MqttHost, monotonic_ms
from protocol.wire.serial.node_host import LineHost
from protocol.wire.serial.node_line import NodeLine
from protocol.wire.serial.port import OpenLine
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World


def node_on_the_wire(
    site: Site,
    name: str,
    endpoint: Endpoint,
    *,
    boot: int,
    bench: bool,
    world: World,
    rng: random.Random,
    boot_lost: bool = False,
) -> MqttHost:
    """A node that is ready to `start`; `world` is shared by the nodes of one process. Raises KeyError."""
    made = _controller(site, name, boot=boot, bench=bench, world=world, rng=rng, boot_lost=boot_lost)
    return MqttHost.at(endpoint, made)


def node_on_a_line(
    site: Site,
    name: str,
    open_line: OpenLine,
    *,
    boot: int,
    bench: bool,
    world: World,
    rng: random.Random,
    boot_lost: bool = False,
    rate: int | None = None,
) -> LineHost:
    """The same at the end of a serial line, ready to `start`; `rate` in baud paces what it sends.

    Raises KeyError, and Trouble where the site file lets the node speak JSON [SER-01].
    """
    node = site.nodes[name]
    if node.reads != "cbor" or node.writes is not Encoding.CBOR:
        fix = 'Write reads = "cbor" and writes = "cbor" into the site file'
        raise Trouble("a node on a serial line speaks CBOR alone [SER-01]", where=f"nodes.{name}", fix=fix)
    made = _controller(site, name, boot=boot, bench=bench, world=world, rng=rng, boot_lost=boot_lost)
    return LineHost(NodeLine(made, site.name, name, rate=rate), open_line)


def _controller(
    site: Site,
    name: str,
    *,
    boot: int,
    bench: bool,
    world: World,
    rng: random.Random,
    boot_lost: bool,
) -> Controller:
    now_ms = monotonic_ms()
    return Controller(
        site,
        name,
        boot=boot,
        bench=bench,
        machines=Machines(site.nodes[name], world, rng, now_ms=now_ms),
        rng=rng,
        started_ms=now_ms,
        boot_lost=boot_lost,
    )
