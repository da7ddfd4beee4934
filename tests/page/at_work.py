"""A yard at work for the page: reference nodes and a reference supervisor on an embedded broker, and its desk."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.page.server.live_model import LivePage
from conformance.page.server.saved_orders import SavedOrder
from conformance.page.server.server import Served, serve
from conformance.page.server.subscriber import listening
from protocol.site import NodeSite, Site
from protocol.site_file import scenario
from protocol.wire.endpoint import Endpoint
from protocol.wire.mqtt import MqttHost, monotonic_ms
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.plan.goals import Goal
from reference_node.supervisor.questions.question import Question as Asked
from reference_node.supervisor.supervisor import Supervisor

STANDS = {("stack-n", 0): "C-100", ("stack-n", 1): "C-101", ("stack-n", 2): "C-102"}


@dataclass(frozen=True, slots=True)
class AtWork:
    """What a test may look at."""

    site: Site
    broker: Broker
    page: LivePage
    served: Served
    supervisor: Supervisor
    host: MqttHost
    machines: Mapping[str, MqttHost]


def _on_for_long(site: Site, node: NodeSite, world: World, boot: int) -> Controller:
    """A node that was switched on an hour ago: what is told at the start is believed of such nodes alone [SUP-24]."""
    since_ms = monotonic_ms() - 3_600_000
    machines = Machines(node, world, random.Random(7), now_ms=since_ms)
    rng = random.Random(8)
    return Controller(
        site, node.name, boot=boot, bench=False, machines=machines, rng=rng, started_ms=since_ms
    )


@contextmanager
def at_work(
    *,
    goals: Sequence[Goal] = (),
    answer: Callable[[Asked], None] | None = None,
    with_desk: bool = True,
    broker: Broker | None = None,
    saved: Iterable[SavedOrder] = (),
) -> Iterator[AtWork]:
    """Everything running, all of it stopped at the end; on an embedded broker unless one is given."""
    site, rng = scenario(), random.Random(5)
    world = World(site, STANDS)
    contents = {"stack-n": ("C-100", "C-101", "C-102", ""), "stack-s": ("", ""), "ferry": ("",)}
    with ExitStack() as stack:
        broker = broker or stack.enter_context(start_broker("embedded"))
        machines: dict[str, MqttHost] = {}
        endpoint = Endpoint(broker.host, broker.port)
        page = stack.enter_context(listening(site, broker.address))
        for node in site.nodes.values():
            if not node.is_supervisor:
                machine = MqttHost.at(endpoint, _on_for_long(site, node, world, rng.getrandbits(16)))
                machine.start()
                machines[node.name] = machine
                stack.callback(machine.stop)
        supervisor = Supervisor(
            site, "yard", boot=3, rng=rng, started_ms=monotonic_ms(), goals=goals, contents=contents,
            on_question=answer,
        )  # fmt: skip
        host = stack.enter_context(MqttHost(supervisor, endpoint.host, endpoint.port))

        def owner(work: Callable[[], None]) -> None:
            def done(_participant: object, _now_ms: int) -> tuple[()]:
                work()
                return ()

            host.call(done)

        desk = ByHand(lambda: supervisor, "the page") if with_desk else None
        served = stack.enter_context(serve(page, desk=desk, owner=owner if with_desk else None, saved=saved))
        yield AtWork(site, broker, page, served, supervisor, host, machines)
