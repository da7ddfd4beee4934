"""A reference node on the wire: a controller behind an MQTT client, with a real clock and a boot counter."""

from __future__ import annotations

import random
import ssl
from dataclasses import dataclass, field

from protocol.participant import Participant
from protocol.site import Site
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World


@dataclass(frozen=True, slots=True)
class Link:
    """Where the broker is and how to get in."""

    host: str
    port: int
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = None
    version: int = 311

    def client(self, participant: Participant) -> MqttHost:
        """A host that brings a participant onto this bus, ready to `start`."""
        return MqttHost(
            participant,
            self.host,
            self.port,
            user=self.user,
            password=self.password,
            tls=self.tls,
            version=self.version,
        )


def node_on_the_wire(
    site: Site,
    name: str,
    link: Link,
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
    return link.client(controller)
