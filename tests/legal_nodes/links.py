"""Other ways to keep up a link, to say what is so, and to read and write bytes."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from protocol.guards import Order
from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.validation import read_message
from protocol.wire.evidence import Direction
from protocol.wire.packet import Subscribe, Subscription
from protocol.wire.virtual_client import VirtualClient
from protocol.wire.virtual_link import Link
from reference_node.controller.controller import Controller
from reference_node.controller.heartbeat import Heartbeat
from reference_node.controller.inbox import MESSAGE, Inbox
from reference_node.envelope import Envelope, Uptime
from reference_node.machines.node_machines import Machines
from tests.legal_nodes.legal import legal


class _SubscribesOneByOne(VirtualClient):
    backwards = False

    def on_connack(self, link: Link) -> None:
        self._heard()
        filters = list(self._participant.subscriptions())
        self._wanted = filters[::-1] if self.backwards else filters
        self._next_subscribe(link)

    def on_suback(self, link: Link) -> None:
        self._heard()
        if self._wanted:
            self._next_subscribe(link)
        else:
            self._become_up()

    def _next_subscribe(self, link: Link) -> None:
        topic, qos = self._wanted.pop(0)
        packet = Subscribe(link.next_id(Direction.FROM_NODE), (Subscription(topic, qos, qos),))
        self._sent()
        link.sent(packet)
        link.up.send(lambda: self._broker.subscribe(link, packet))


@legal()
class SubscribesOneByOne(_SubscribesOneByOne):
    """Subscribes to its own orders, waits for the SUBACK, and then to those for all."""


@legal()
class SubscribesToItsOwnLast(_SubscribesOneByOne):
    """Subscribes to what is for all, waits for the SUBACK, and then to its own orders."""

    backwards = True


@legal()
class SpeaksBeforeTheSuback(VirtualClient):
    """Says its state right behind its SUBSCRIBE, before the broker has granted it."""

    def on_connack(self, link: Link) -> None:
        super().on_connack(link)
        self._become_up()

    def on_suback(self, link: Link) -> None:
        self._heard()


@legal()
class SpeaksLongBeforeItHears(_SubscribesOneByOne):
    """Says its state behind its first SUBSCRIBE, to what is for all, and subscribes to its own orders later."""

    backwards = True

    def on_connack(self, link: Link) -> None:
        filters = list(self._participant.subscriptions())
        self._wanted = filters
        self._next_subscribe(link)
        self._become_up()

    def on_suback(self, link: Link) -> None:
        self._heard()
        if self._wanted:
            self._time.call_in(150, lambda: self._next_subscribe(link))


@legal()
class ComesBackAtOnce(VirtualClient):
    """Connects again as soon as it may."""

    def _connect_later(self) -> None:
        self._retry = self._time.call_in(500, self._connect)


@legal()
class ComesBackLate(VirtualClient):
    """Connects again as late as it may."""

    def _connect_later(self) -> None:
        self._retry = self._time.call_in(10_000, self._connect)


@legal()
class AsksForTheShortestKeepAlive(Controller):
    """Asks for a keep-alive of 2 s."""

    keep_alive_s = 2


@legal()
class AsksForTheLongestKeepAlive(Controller):
    """Asks for a keep-alive of 15 s."""

    keep_alive_s = 15


@legal()
class PingsAtTheLastMoment(VirtualClient):
    """Sends a packet only when its keep-alive is over, were there no heartbeats."""

    def _watch(self, link: Link) -> None:
        if link.client_open and link.silence_ms:
            self._last_in_ms = max(self._last_in_ms, self._last_out_ms)
            super()._watch(link)


@legal()
class CountsMessagesFromAnywhere(Controller):
    """Begins each topic's seq at a number of its own."""

    class envelope_class(Envelope):  # noqa: N801
        def count(self, message: str) -> int:
            self._seq.setdefault(message, 65_530 - len(message))
            return super().count(message)


@legal()
class HasAnIdentifierOfItsOwn(Controller):
    """Its client identifier is not its name."""

    client_id = "brd-0042"


@legal()
class BootsFromZero(Controller):
    """Its boot counter is at its end, and goes on from 0."""

    def __init__(self, *args: Any, boot: int, machines: Machines, **kwargs: Any) -> None:
        counter = vars(machines).get("boots", 65_534)
        vars(machines)["boots"] = boot = (counter + 1) % 65_536
        super().__init__(*args, boot=boot, machines=machines, **kwargs)


@legal()
class HasBeenOnForLong(Controller):
    """Has been on for 24 days when the kit comes."""

    class uptime_class(Uptime):  # noqa: N801
        def __init__(self, started_ms: int) -> None:
            super().__init__(started_ms - 24 * 86_400_000)


@legal()
class RepeatsOften(Controller):
    """Repeats every state message five times a second."""

    class heartbeat_class(Heartbeat):  # noqa: N801
        def due_ms(self, message: str, now_ms: int, every_ms: int | None = None) -> int:
            return super().due_ms(message, now_ms, 200)


@legal()
class SaysItsStateInAnotherOrder(Controller):
    """Says its state messages backwards, but for node-status at the start of a connection."""

    def state_messages(self) -> list[str]:
        first, *others = super().state_messages()
        return [first, *others[::-1]]

    def tell_all(self, order: Order) -> None:
        for message in self.state_messages()[::-1]:
            self._publish_state(message)
        self._report({"act": "ask", "state": "done", "token": order["token"]})


@legal()
class SaysAllAtEachChange(Controller):
    """Publishes all its state messages when one of them changes."""

    def _tell_changes(self) -> None:
        if any(self.changed(message) for message in self.state_messages()):
            for message in self.state_messages():
                self._publish_state(message)


@legal()
class TellsItsMemory(Controller):
    """Says how much memory is free, a little less or more each time."""

    def node_status(self) -> dict[str, Any]:
        return super().node_status() | {"memory": 1400 + self._now_ms % 7}

    def changed(self, message: str) -> bool:
        return message != "node-status" and super().changed(message)


@legal()
class SaysNoInputs(Controller):
    """Does not say how its sensors stand."""

    def keeps(self, requirement: str) -> bool:
        return requirement != "MSG-14" and super().keeps(requirement)


@legal(("south", "ferry"))
class WritesItsMembersBackwards(Controller):
    """Writes the members of its JSON in another order."""

    class envelope_class(Envelope):  # noqa: N801
        def bare(self, message: str, body: Mapping[str, Any]) -> Publication:
            said = super().bare(message, body)
            members = dict(reversed(json.loads(said.payload).items()))
            return replace(
                said, payload=json.dumps(members, separators=(",", ":"), ensure_ascii=False).encode()
            )


@legal()
class ReadsOnlyWhatIsWrittenAsItMustBe(Controller):
    """Refuses keys out of order, longer integers, white space and needless escapes as what it cannot read."""

    class inbox_class(Inbox):  # noqa: N801
        def read(self, delivery: Delivery) -> Order | None:
            found = read_message(MESSAGE, delivery.payload, closed=True).findings
            strict = any(one.requirement in ("ENC-02", "ENC-03") for one in found)
            return None if strict else super().read(delivery)


class _LooksOnceALoop(Controller):
    """Handles what came, and looks at its sensors, once in `loop_ms`."""

    loop_ms = 20

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._came: list[Delivery] = []

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self._came.append(delivery)
        return []

    def tick(self, now_ms: int) -> Sequence[Publication]:
        out: list[Publication] = []
        came, self._came = self._came, []
        for delivery in came:
            out += super().receive(delivery, now_ms)
        return [*out, *super().tick(now_ms)]

    def next_tick(self, now_ms: int) -> int | None:
        due = now_ms if self._came else super().next_tick(now_ms)
        return None if due is None else -(-(due + 1) // self.loop_ms) * self.loop_ms


@legal()
class LooksEveryTwentyMilliseconds(_LooksOnceALoop):
    """Its main loop comes round once in 20 ms, for orders and sensors alike."""


@legal()
class LooksEveryTenthOfASecond(_LooksOnceALoop):
    """Its main loop comes round once in 90 ms."""

    loop_ms = 90


@legal()
class SaysChangesAtTheEndOfItsLoop(Controller):
    """Looks at its sensors, handles an order, and then says what has changed: an answer may be the first to say it."""

    _handling = False

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        self._handling = True
        self._pass_time(now_ms)
        order = self.inbox.read(delivery) if self.inbox.takes(delivery) else None
        if order is not None and order["act"] == "ask":
            self.desk.handle(order)
            self._handling = False
            return self._take()
        self._handling = False
        self._tell_changes()
        return super().receive(delivery, now_ms)

    def _tell_changes(self) -> None:
        if not self._handling:
            super()._tell_changes()


def _qos(level: int) -> Any:
    def change(site: Site) -> Site:
        return replace(site, nodes={name: replace(node, qos=level) for name, node in site.nodes.items()})

    return change


@legal(site=_qos(0))
class SaysAllAtQosZero(Controller):
    """Publishes at QoS 0."""


@legal(site=_qos(1))
class SaysAllAtQosOne(Controller):
    """Publishes at QoS 1."""
