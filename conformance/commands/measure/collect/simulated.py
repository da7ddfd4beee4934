"""Reference nodes with imperfect mechanisms on a broker of the kit's own, to try a measurement on."""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager

from conformance.bench.brokers.broker import start_broker
from conformance.bench.connection.address import Address
from protocol.site import Site
from protocol.wire.mqtt import monotonic_ms
from reference_node.machines.imperfect import imperfect_tracks
from reference_node.measuring.plan import Plan
from reference_node.measuring.simulated_person import Eye
from reference_node.scenario.simulated_yard import SimulatedYard


@contextmanager
def simulated_yard(
    site: Site, plan: Plan, choice: str, imperfect: Sequence[str], seed: int
) -> Iterator[tuple[Address, Eye]]:
    """The broker, and an eye at the crane. The mechanism is that of `seed`."""
    with ExitStack() as stack:
        broker = stack.enter_context(start_broker(choice))
        tracks = imperfect_tracks(site, imperfect, random.Random(f"{seed} mechanism"))
        yard = SimulatedYard(
            site, {}, (), random.Random(seed), monotonic_ms(), boots=random.SystemRandom(), imperfect=tracks
        )
        for name in yard.machines:
            host = broker.address.client(yard.controller(name, monotonic_ms()))
            stack.callback(host.stop)
            host.start()
        machines = yard.machines[plan.crane]
        eye = Eye(yard.truth, machines, plan.crane, plan.place, plan.slot, random.Random(f"{seed} eye"))
        yield broker.address, eye
