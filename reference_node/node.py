"""A reference node on the wire: a controller behind an MQTT client, with a real clock and a boot counter."""

from __future__ import annotations

import random

from protocol.site import Site
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import MqttHost, monotonic_ms
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
    now_ms = monotonic_ms()
    controller = Controller(
        site,
        name,
        boot=boot,
        bench=bench,
        machines=Machines(site.nodes[name], world, rng, now_ms=now_ms),
        rng=rng,
        started_ms=now_ms,
        boot_lost=boot_lost,
    )
    return MqttHost.at(endpoint, controller)
